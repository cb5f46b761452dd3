"""A panel as people start it: `anglewright panel`, a process of its own, on a home of its own."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import httpx

WAIT_S = 120.0


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Served:
    """One home and the panel of it; `start` again after `kill`."""

    def __init__(self, folder: Path, *, bench: str = "simulated", speed: str = "8") -> None:
        self.home, self.bench, self.speed = folder / "home", bench, speed
        self.home.mkdir(exist_ok=True)
        self.port = free_port()
        self.base = f"http://127.0.0.1:{self.port}"
        self.env = os.environ | {"ANGLEWRIGHT_HOME": str(self.home)}
        self.log = folder / "panel.log"
        self.process: subprocess.Popen[bytes] | None = None
        self.cookies: dict[str, str] = {}
        self.start()

    def start(self) -> None:
        """Start the server and wait for its address."""
        before = len(self._entrances())
        words = [sys.executable, "-m", "rig", "panel", "serve", "--bench", self.bench, "--port", str(self.port)]
        with self.log.open("ab") as log:
            self.process = subprocess.Popen([*words, "--speed", self.speed], env=self.env, stderr=log, stdout=log)
        end_s = time.monotonic() + WAIT_S
        while True:
            if len(self._entrances()) > before:
                try:
                    if httpx.get(f"{self.base}/sign-in", timeout=5.0).status_code == 200:
                        return
                except httpx.HTTPError:
                    pass
            if time.monotonic() > end_s or self.process.poll() is not None:
                raise RuntimeError(f"the panel did not start: {self.log.read_text()[-2000:]}")
            time.sleep(0.05)

    def _entrances(self) -> list[str]:
        return re.findall(r"http://\S+/enter/\S+", self.log.read_text()) if self.log.exists() else []

    def entrance(self) -> str:
        """The address that lets one browser in."""
        return self._entrances()[-1]

    def client(self) -> httpx.Client:
        """Somebody at this machine, signed in."""
        made = httpx.Client(base_url=self.base, timeout=60.0, headers={"origin": self.base})
        made.get(self.entrance())
        made.headers["x-csrf"] = made.get("/api/v1/me").json()["csrf"]
        made.patch("/api/v1/me", json={"name": "operator 2"})
        return made

    def kill(self) -> None:
        """As a machine that loses the process."""
        if self.process is not None:
            self.process.send_signal(signal.SIGKILL)
            self.process.wait()

    def close(self) -> None:
        """Stop the server."""
        if self.process is not None and self.process.poll() is None:
            self.process.terminate()
            self.process.wait(20)
