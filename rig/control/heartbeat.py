"""The controller's end of the watchdog: starts it, arms it, beats for it while the main thread gets on.

It must never open an instrument. The beat comes from a thread of its own every 0.1 s of wall time, but only while
the main thread has shown progress within the limit that the running step states: a hung main thread is as dangerous
as a dead one. The watchdog answers every beat; 0.7 s without an answer, and the run stops: a frozen watchdog guards
nothing. Time that this thread itself was not given by a busy machine is not counted as the watchdog's silence.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import subprocess
import sys
import threading
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from rig.control.stop import StopToken
from rig.errors import BenchError, SafetyStop

BEAT_S = 0.1
LOOK_S = 0.05  # how often answers are looked for
UNANSWERED_S = 0.7
FIRST_IN_LINE = -10  # of the scheduler, where the system allows it: on a busy machine beats come in time
START_S = 20.0
IDLE_LIMIT_S = 60.0


class Watchdog:
    """A running watchdog process. `pid` serves as the simulated bench's parent, so that the bench outlives us."""

    def __init__(self, token: StopToken, held: Sequence[int] = ()) -> None:
        """held: descriptors of the bench's lock, which the watchdog holds as long as it lives."""
        self._token = token
        self._silent = False
        self._lock = threading.Lock()
        self._closing = threading.Event()
        self._thread: threading.Thread | None = None
        self._limit_s = IDLE_LIMIT_S
        self._progress_s = time.monotonic()
        self._process = subprocess.Popen(
            [sys.executable, "-m", "rig.control.watchdog"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            start_new_session=True,
            pass_fds=tuple(held),
        )
        self._expect("ready")

    @property
    def pid(self) -> int:
        return self._process.pid

    def arm(self, devices: Mapping[str, Mapping[str, Any]]) -> None:
        """role -> {driver, link, name, options} of what has to be taken down; from here on it watches."""
        self._send(json.dumps({"arm": devices}))
        self._expect("armed")
        self._thread = threading.Thread(target=self._beat, name="heartbeat", daemon=True)
        self._thread.start()

    def folder(self, path: Path) -> None:
        """Where to leave a note, should it have to act."""
        self._send(json.dumps({"folder": str(path.absolute())}))

    def progress(self, limit_s: float | None = None) -> None:
        """The main thread gets on; limit_s: how long (wall time) it may now take until it says so again."""
        self._progress_s = time.monotonic()
        if limit_s is not None:
            self._limit_s = limit_s

    def getting_on(self) -> bool:
        """Whether the main thread has shown progress within the limit of its step."""
        return time.monotonic() - self._progress_s <= self._limit_s

    def close(self) -> None:
        """All is safe and closed: the watchdog may go. Never raises."""
        self._closing.set()
        if self._thread is not None:
            self._thread.join(1.0)
        if self._silent:
            self._process.kill()
        with contextlib.suppress(SafetyStop):
            self._send("done")
        for stream in (self._process.stdin, self._process.stdout):
            if stream is not None:
                with contextlib.suppress(OSError):
                    stream.close()
        try:
            self._process.wait(5.0)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()

    def _beat(self) -> None:
        _come_first()
        unanswered_s = sent_s = 0.0
        looked_s = time.monotonic()
        waiting = False
        while not self._closing.wait(LOOK_S):
            now_s = time.monotonic()
            if self._has_answer():
                waiting, unanswered_s = False, 0.0
            elif waiting:
                unanswered_s += min(now_s - looked_s, 2 * LOOK_S)
            looked_s = now_s
            if unanswered_s >= UNANSWERED_S:
                self._silent = True
                self._token.set(_silence())
                return
            if now_s - sent_s < BEAT_S - LOOK_S / 2 or not self.getting_on():
                continue
            try:
                self._send("")
            except SafetyStop as gone:
                self._token.set(gone)
                return
            sent_s, waiting = now_s, True

    def _has_answer(self) -> bool:
        """Whether an answer to a beat has come since the last look."""
        stream = self._process.stdout
        if stream is None or not select.select([stream], [], [], 0)[0]:
            return False
        return bool(os.read(stream.fileno(), 4096))

    def _send(self, line: str) -> None:
        stream = self._process.stdin
        try:
            with self._lock:
                if stream is not None:
                    stream.write(line.encode() + b"\n")
                    stream.flush()
        except (OSError, ValueError) as fault:
            raise SafetyStop(
                "the watchdog process is gone.",
                code="watchdog-gone",
                next_action="Nothing runs without it: start a new run.",
            ) from fault

    def _expect(self, word: str) -> None:
        stream = self._process.stdout
        got = b""
        if stream is not None and select.select([stream], [], [], START_S)[0]:
            got = stream.readline()
        if got.strip() != word.encode():
            self._process.kill()
            self._process.wait()
            raise BenchError(
                f"the watchdog did not say {word!r} within {START_S:g} s (said {got!r})",
                instrument="watchdog",
                next_action="Run `python -m rig.control.watchdog` by hand and read its message.",
            )


def _silence() -> SafetyStop:
    return SafetyStop(
        f"the watchdog process has not answered for {UNANSWERED_S} s.",
        code="watchdog-silent",
        next_action="Nothing runs without it: look what holds this computer up, then start a new run.",
    )


def _come_first() -> None:
    """This thread before others, where the system allows it."""
    with contextlib.suppress(OSError, AttributeError):
        os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), FIRST_IN_LINE)
