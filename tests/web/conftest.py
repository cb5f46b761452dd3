"""A panel of a home of its own, served on a free port of this machine, with real sockets."""

import socket
import threading
import time
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import httpx
import pytest

from rig.web.app import create_app
from rig.web.panel import Panel

PASSWORDS = {"viewer 1": "slow brass rivet", "operator 2": "quiet copper lamp", "approver 1": "broad oak ladder"}
ROLE_OF = {"viewer 1": "view", "operator 2": "operate", "approver 1": "approve"}


@dataclass
class Served:
    """A panel that answers. client: nobody's browser; sign_in: one with a session."""

    panel: Panel
    base: str
    opened: list[httpx.Client] = field(default_factory=list)

    def client(self, **how: object) -> httpx.Client:
        made = httpx.Client(base_url=self.base, timeout=30.0, **how)  # type: ignore[arg-type]
        self.opened.append(made)
        return made

    def sign_in(self, name: str) -> httpx.Client:
        browser = self.client(headers={"origin": self.base})
        answer = browser.post("/api/v1/sessions", json={"name": name, "password": PASSWORDS[name]})
        assert answer.status_code == 200, answer.text
        browser.headers["x-csrf"] = browser.get("/api/v1/me").json()["csrf"]
        return browser


@pytest.fixture
def serve(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., Served]]:
    """Serve a panel; accounts: with the three of PASSWORDS, else as on this machine without accounts."""
    import uvicorn

    servers: list[tuple[uvicorn.Server, threading.Thread, Served]] = []

    def begin(*, accounts: bool = True, home: Path | None = None, speed: str = "fast") -> Served:
        folder = home or tmp_path / "home"
        folder.mkdir(exist_ok=True)
        monkeypatch.setenv("ANGLEWRIGHT_HOME", str(folder))
        link = socket.socket()
        link.bind(("127.0.0.1", 0))
        panel = Panel(home=folder, bench="simulated", speed=speed)
        panel.address = f"http://127.0.0.1:{link.getsockname()[1]}"
        if accounts:
            for name, password in PASSWORDS.items():
                panel.accounts.add(name, ROLE_OF[name], password, panel.now_utc())
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of the server's libraries, not ours
            server = uvicorn.Server(uvicorn.Config(create_app(panel), log_level="error", access_log=False))
        panel.feed.start()
        thread = threading.Thread(target=server.run, kwargs={"sockets": [link]}, daemon=True)
        thread.start()
        end_s = time.monotonic() + 20
        while not server.started:
            assert time.monotonic() < end_s, "the panel did not start"
            time.sleep(0.02)
        served = Served(panel, panel.address)
        servers.append((server, thread, served))
        return served

    yield begin
    for server, thread, served in servers:
        for client in served.opened:
            client.close()
        server.should_exit = True
        served.panel.feed.close()
        thread.join(20)
