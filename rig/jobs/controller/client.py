"""A client of the live socket: start a controller or join one, read its messages, say its verbs.

    with join("simulated") as live:                     or: start(ask)
        for message in live.messages(timeout_s=0.2):    None when nothing came within the time
            ...
        live.say("mark", text="here I bent it")

It must never open an instrument, a journal or a raw file for writing. It attends while it is open, where asked to.
"""

from __future__ import annotations

import json
import os
import select
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from rig import errors
from rig.errors import LinkDown, NoReply, RigError
from rig.jobs.controller.ask import Ask, write_ask
from rig.jobs.controller.frames import Decoder, Message, encode
from rig.jobs.controller.place import live_folder, reach

START_S = 30.0
ANSWER_S = 5.0
ATTEND_S = 1.0


class LiveClient:
    """One connection. attend: say so each second, so that an attended run goes on. hands: somebody answers here."""

    def __init__(
        self, path: Path, *, attend: bool = False, hands: bool = False, frames: bool = False, since: int | None = None
    ) -> None:
        self.path = path
        self._link = reach(path, ANSWER_S)
        self._lock = threading.Lock()
        self._decoder = Decoder()
        self._pending: list[Message] = []
        self._closing = threading.Event()
        hello: dict[str, Any] = {"do": "hello", "hands": hands, "frames": frames}
        if since is not None:
            hello["since"] = since
        self._send(hello)
        if attend:
            self._send({"do": "attend"})
            threading.Thread(target=self._attend, name="attend", daemon=True).start()

    def __enter__(self) -> LiveClient:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Gone: an attended run with no other client ends ten seconds later. Idempotent."""
        self._closing.set()
        with suppress(OSError):
            self._link.shutdown(socket.SHUT_RDWR)
        self._link.close()

    def say(self, verb: str, **words: Any) -> None:
        """Say a verb: stop, hold, mark, advance, attend. What comes of it is a message `done` or `refused`."""
        self._send({"do": verb, **words})

    def messages(self, timeout_s: float | None = None) -> Iterator[Message | None]:
        """Messages as they come, None after timeout_s without one; ends when the controller has gone."""
        while True:
            while self._pending:
                yield self._pending.pop(0)
            ready, _, _ = select.select([self._link], [], [], timeout_s)
            if not ready:
                yield None
                continue
            try:
                data = self._link.recv(1 << 20)
            except OSError:
                data = b""
            if not data:
                return
            self._pending.extend(self._decoder.feed(data))

    def wait_for(self, kind: str, timeout_s: float = ANSWER_S) -> Message:
        """The next message of a kind; others are passed over. Raises NoReply, LinkDown."""
        until_s = time.monotonic() + timeout_s
        for message in self.messages(0.05):
            if message is not None and message.kind == kind:
                return message
            if time.monotonic() > until_s:
                raise NoReply(f"no {kind} within {timeout_s:g} s", instrument="live socket")
        raise LinkDown("the controller has gone.", instrument="live socket", next_action="Look at the run it left.")

    def _send(self, head: Mapping[str, Any]) -> None:
        try:
            with self._lock:
                self._link.sendall(encode(head))
        except OSError as fault:
            raise LinkDown(
                f"the controller at {self.path} has gone ({fault.strerror or fault}).",
                instrument="live socket",
                next_action="Its run has ended, or it was killed: see `anglewright unit`.",
            ) from fault

    def _attend(self) -> None:
        while not self._closing.wait(ATTEND_S):
            try:
                self._send({"do": "attend"})
            except RigError:
                return


class Started:
    """A controller that was started here: its process, and the place of its socket."""

    def __init__(self, process: subprocess.Popen[bytes], path: Path) -> None:
        self.process, self.path = process, path


def start(ask: Ask, *, home: Path | None = None, quiet: bool = False) -> Started:
    """Start a controller in a session of its own and wait until its socket listens.

    Its standard input stays the terminal of the caller where there is one: the arming word is read from there by the
    controller itself. quiet: what it writes on standard error goes into a file beside the socket. Raises what kept it
    from starting.
    """
    folder = live_folder(home)
    path = write_ask(ask, folder)
    told, tell = os.pipe()
    log = (folder / "controller.log").open("ab") if quiet else None
    try:
        process = subprocess.Popen(
            [sys.executable, "-m", "rig.jobs.controller", str(path), str(tell)],
            stdin=None if _terminal() else subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=log,
            pass_fds=(tell,),
            start_new_session=True,
            env=os.environ | ({"ANGLEWRIGHT_HOME": str(home)} if home is not None else {}),
        )
    finally:
        os.close(tell)
        if log is not None:
            log.close()
    try:
        first = _first_line(told, process)
    finally:
        os.close(told)
    if "socket" not in first:
        process.wait(5.0)
        raise fault_of(first.get("fault")) or LinkDown(
            "the controller did not start.", instrument="controller", next_action="Read its message above."
        )
    return Started(process, Path(first["socket"]))


def join(name: str, *, home: Path | None = None, **how: Any) -> LiveClient:
    """Join the controller of a bench's name. Raises LinkDown where none lives."""
    return LiveClient(live_folder(home) / f"{name}.sock", **how)


def fault_of(told: Mapping[str, Any] | None) -> RigError | None:
    """A fault as it was sent, as the error that it was: kind, message, next action and exit status."""
    if not told:
        return None
    kind = getattr(errors, str(told.get("kind", "")), None)
    if not (isinstance(kind, type) and issubclass(kind, RigError)):
        kind = RigError
    fault: RigError = kind.__new__(kind)
    RigError.__init__(fault, str(told.get("message", "")), next_action=str(told.get("next", "")))
    for name in ("code", "instrument"):
        if name in told:
            setattr(fault, name, told[name])
    for name, otherwise in (("faults", ()), ("exchange", ""), ("instrument", ""), ("code", "")):
        if not hasattr(fault, name):
            setattr(fault, name, otherwise)
    return fault


def _terminal() -> bool:
    try:
        return sys.stdin.isatty()
    except (AttributeError, ValueError):
        return False


def _first_line(told: int, process: subprocess.Popen[bytes]) -> dict[str, Any]:
    got, until_s = b"", time.monotonic() + START_S
    while b"\n" not in got and time.monotonic() < until_s:
        if not select.select([told], [], [], 0.2)[0]:
            if process.poll() is not None:
                break
            continue
        data = os.read(told, 65536)
        if not data:
            break
        got += data
    line = got.partition(b"\n")[0]
    return dict(json.loads(line)) if line else {}
