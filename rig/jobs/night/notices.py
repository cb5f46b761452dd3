"""Notices of a night: a mail and a web hook, as `<home>/notices.toml` asks for. A refused one never stops a night.

    smtp_host, smtp_port (587), from, to (a list), user, password_file       of a mail
    webhook_url, webhook_secret_file                                         of a web hook

Mail goes over TLS only (STARTTLS, RFC 3207). The web hook gets JSON, signed in `X-Anglewright-Signature`:
hex(HMAC-SHA256(secret, time + "." + body)), the time in `X-Anglewright-Time` (RFC 2104). No customer, serial or
operator is in a notice.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import smtplib
import ssl
import time
import tomllib
import urllib.request
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from email.message import EmailMessage
from pathlib import Path
from typing import Any

from rig.description.places import default_home

TRIES = 3
PAUSE_S = 1.0
TIMEOUT_S = 10.0
TESTED = "notices-tested.json"


def send(what: str, figures: Mapping[str, Any], home: Path | None = None, pause_s: float = PAUSE_S) -> list[str]:
    """Send a notice to all places that are named; one sentence for each that refused it. Never raises."""
    path = asked_file(home)
    if not path.is_file():
        return []
    try:
        asked = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as fault:
        return [f"{path}: can't be read ({fault})"]
    refused = []
    if asked.get("smtp_host"):
        refused += _try("mail", lambda: _mail(asked, what, figures), pause_s)
    if asked.get("webhook_url"):
        refused += _try("web hook", lambda: _hook(asked, what, figures), pause_s)
    return refused


def asked_file(home: Path | None = None) -> Path:
    """Where it is written who is told."""
    return (home or default_home()) / "notices.toml"


def send_test(home: Path | None = None, pause_s: float = PAUSE_S) -> list[str]:
    """Send a test notice and keep how it went, for the readiness of a night; one sentence for each that refused it."""
    home = home or default_home()
    refused = send("test notice, nothing has happened", {}, home, pause_s)
    utc = datetime.now(UTC).isoformat(timespec="seconds")
    (home / TESTED).write_text(json.dumps({"utc": utc, "refused": refused}), encoding="utf-8")
    return refused


def last_test(home: Path | None = None) -> Mapping[str, Any] | None:
    """{utc, refused} of the newest test notice; None where none was sent, or its file can't be read."""
    try:
        told = json.loads(((home or default_home()) / TESTED).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return told if isinstance(told, dict) and {"utc", "refused"} <= set(told) else None


def _try(name: str, do: Callable[[], None], pause_s: float) -> list[str]:
    why = ""
    for attempt in range(TRIES):
        try:
            do()
        except (OSError, ValueError, KeyError, smtplib.SMTPException) as fault:
            why = f"{type(fault).__name__}: {fault}"
            if attempt + 1 < TRIES:
                time.sleep(pause_s * 2**attempt)
        else:
            return []
    return [f"{name} refused {TRIES} times ({why})"]


def _mail(asked: Mapping[str, Any], what: str, figures: Mapping[str, Any]) -> None:
    message = EmailMessage()
    message["From"], message["To"] = str(asked["from"]), ", ".join(asked["to"])
    message["Subject"] = f"Bench: {what}"
    message.set_content("\n".join([f"{what}.", *(f"{name}: {value}" for name, value in figures.items())]) + "\n")
    with smtplib.SMTP(str(asked["smtp_host"]), int(asked.get("smtp_port", 587)), timeout=TIMEOUT_S) as server:
        server.starttls(context=ssl.create_default_context())
        if asked.get("user"):
            server.login(str(asked["user"]), _secret(asked["password_file"]).decode())
        server.send_message(message)


def _hook(asked: Mapping[str, Any], what: str, figures: Mapping[str, Any]) -> None:
    url = str(asked["webhook_url"])
    if not url.startswith(("https://", "http://127.0.0.1:", "http://localhost:")):
        raise ValueError("webhook_url is not https")
    body = json.dumps({"what": what, **figures}, default=str).encode()
    request = urllib.request.Request(url, data=body, method="POST")
    for name, value in signed(_secret(asked["webhook_secret_file"]), body, str(int(time.time()))).items():
        request.add_header(name, value)
    with urllib.request.urlopen(request, timeout=TIMEOUT_S) as answer:
        answer.read()


def signed(secret: bytes, body: bytes, at: str) -> dict[str, str]:
    """The headers of a signed body. at: seconds since 1970, as text."""
    mark = hmac.new(secret, at.encode() + b"." + body, hashlib.sha256).hexdigest()
    return {"Content-Type": "application/json", "X-Anglewright-Time": at, "X-Anglewright-Signature": mark}


def _secret(path: object) -> bytes:
    return Path(str(path)).read_bytes().strip()
