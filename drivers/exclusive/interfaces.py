"""Which interfaces of this computer and its network a link leads to: what two programs must not both talk to.

Two spellings of one instrument give one key: a host name and its address, a port by id and its device, a VISA resource
and the port behind it. A key is held alone, or (a host that carries several raw sockets, as a terminal server or a
gateway does) together with others that hold the host the same way; who speaks VXI-11 or HiSLIP to the host itself
holds it alone.
Source: VPP-4.3 (resource names: USB[board]::maker::model::serial, GPIB[board]::primary, TCPIP[board]::host::device);
stat(2), st_rdev.
"""

from __future__ import annotations

import os
import re
import socket
import stat
from collections.abc import Iterable
from urllib.parse import urlsplit

WHOLE_HOST = re.compile(r"(inst|hislip)0?", re.IGNORECASE)


def interfaces(links: Iterable[str]) -> dict[str, bool]:
    """Key -> whether it is to be held alone, for all links of a bench together, sorted by key."""
    found: dict[str, bool] = {}
    for link in links:
        for key, alone in _of(link).items():
            found[key] = found.get(key, False) or alone
    return dict(sorted(found.items()))


def _of(link: str) -> dict[str, bool]:
    url = link.removeprefix("spy+")
    kind, _, rest = url.partition("://")
    rest = rest.partition("?")[0]
    if kind == "tcp":
        parts = urlsplit(url)
        return _socket(parts.hostname or "", str(parts.port or ""))
    if kind == "serial":
        return _device(rest)
    if kind.partition("+")[0] == "visa":
        return _resource(rest)
    return {f"{kind}:{rest.casefold()}": True}


def _resource(name: str) -> dict[str, bool]:
    fields = name.split("::")
    head = fields[0].upper()
    if head.startswith("ASRL"):
        port = fields[0][4:]
        return _device(port) if port.startswith("/") else {f"serial:{port.casefold()}": True}
    if head.startswith("TCPIP") and len(fields) > 1:
        if fields[-1].upper() == "SOCKET":
            return _socket(fields[1], fields[2] if len(fields) > 3 else "")
        device = fields[2] if len(fields) > 3 else "inst0"
        if WHOLE_HOST.fullmatch(device.partition(",")[0]):
            return {f"host:{address}": True for address in _addresses(fields[1])}
        return _socket(fields[1], device.casefold())
    if head.startswith("USB") and len(fields) > 3:
        return {f"usb:{_number(fields[1])}:{_number(fields[2])}:{fields[3].casefold()}": True}
    if head.startswith("GPIB") and len(fields) > 1:
        return {f"gpib:{head[4:] or '0'}:{':'.join(fields[1:-1])}": True}
    return {f"visa:{name.casefold()}": True}


def _socket(host: str, port: str) -> dict[str, bool]:
    keys = {f"host:{address}": False for address in _addresses(host)}
    return keys | {f"{key}:{port}": True for key in keys}


def _addresses(host: str) -> list[str]:
    """All addresses of a host; its name, where it has none (opening it will fail by itself)."""
    try:
        found = {str(row[4][0]) for row in socket.getaddrinfo(host, None, type=socket.SOCK_STREAM)}
    except (OSError, UnicodeError):
        return [host.casefold()]
    if any(address in ("::1", "::ffff:127.0.0.1") for address in found):
        found.add("127.0.0.1")
    return sorted(found)


def _device(path: str) -> dict[str, bool]:
    """The device's number, and its lasting name where it has one: an adapter may come back as another device."""
    keys = {}
    target = os.path.realpath(path)
    try:
        found = os.stat(target)
    except OSError:
        found = None
    if found is not None and stat.S_ISCHR(found.st_mode):
        keys[f"device:{os.major(found.st_rdev)}:{os.minor(found.st_rdev)}"] = True
    if not keys or target != os.path.abspath(path):
        keys[f"path:{os.path.abspath(path)}"] = True
    return keys


def _number(text: str) -> str:
    """A maker's or model's number as four hexadecimal digits, however it was written."""
    try:
        return f"{int(text, 0):04x}"
    except ValueError:
        return text.casefold()
