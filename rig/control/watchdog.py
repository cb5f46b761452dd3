"""The process that takes the bench down when the controller can't any more: killed, crashed or hung.

Started before the first instrument is opened, in a session of its own (Ctrl-C does not reach it). It holds the end
of a pipe: end of file, or no heartbeat for 0.7 s of wall time, and it kills the controller (exclusive ports would
stay shut otherwise), opens generator and axis itself, switches off, halts, verifies, leaves `watchdog.json` in the
run's folder and ends. It must never know what was being measured. Run as `python -m rig.control.watchdog`.
Words on the pipe, one a line: an empty line (heartbeat), {"arm": {role: device}}, {"folder": path}, "done". Each
heartbeat is answered by an empty line. It inherits the bench's lock: who starts meanwhile waits until it has ended.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import signal
import sys
import time
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from rig.errors import RigError

SILENCE_S = 0.7
STARVED_S = 2.0  # the longest silence of a controller that waits for a processor
TRY_FOR_S = 8.0
RETRY_S = 0.05
FIRST_IN_LINE = -10  # of the scheduler, where the system allows it


class _Pipe:
    """Whole lines from standard input; None for its end, "" for silence."""

    def __init__(self) -> None:
        self._pending = b""

    def lines(self, timeout_s: float | None) -> list[str] | None:
        ready, _, _ = select.select([0], [], [], timeout_s)
        if not ready:
            return []
        got = os.read(0, 65536)
        if not got:
            return None
        *whole, self._pending = (self._pending + got).split(b"\n")
        return [line.decode() for line in whole]


class Waiting:
    """How long the controller's threads have waited for a processor, by the kernel's account.

    On a busy machine a controller may be kept from beating although nothing is wrong with it. Its silence is excused as
    long as one of its threads was ready to run and waited for most of it, and never beyond STARVED_S; a hung, stopped
    or sleeping one waits for nothing. Source: Linux, Documentation/scheduler/sched-stats.rst, /proc/<pid>/schedstat.
    """

    def __init__(self, pid: int) -> None:
        self._tasks = Path(f"/proc/{pid}/task")
        self.note_word()

    def note_word(self) -> None:
        """A word has come."""
        self._heard_s = time.monotonic()
        self._before = self._accounts()

    def excuses(self) -> bool:
        """Whether the silence until now is the machine's doing."""
        silent_s = time.monotonic() - self._heard_s
        return silent_s < STARVED_S and any(
            self._is_starved(task, now, 0.5 * silent_s) for task, now in self._accounts().items()
        )

    def _is_starved(self, task: str, now: tuple[float, float], least_s: float) -> bool:
        """The account counts a wait when it is over: who is ready now, and has hardly run, has waited too."""
        ran_s, waited_s = (one - before for one, before in zip(now, self._before.get(task, (0.0, 0.0)), strict=True))
        return waited_s > least_s or (ran_s < least_s and self._is_ready(task))

    def _accounts(self) -> dict[str, tuple[float, float]]:
        """Thread -> seconds that it ran and waited; empty where the kernel does not tell."""
        accounts = {}
        with contextlib.suppress(OSError, ValueError, IndexError):
            for task in self._tasks.iterdir():
                ran, waited, *_ = (task / "schedstat").read_text().split()
                accounts[task.name] = (int(ran) * 1e-9, int(waited) * 1e-9)
        return accounts

    def _is_ready(self, task: str) -> bool:
        try:
            return (self._tasks / task / "stat").read_text().rpartition(")")[2].split()[0] == "R"
        except (OSError, IndexError):
            return False


def main() -> None:
    """Watch until told that all is done, or until it has to act."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGHUP, signal.SIG_IGN)
    with contextlib.suppress(OSError):
        os.setpriority(os.PRIO_PROCESS, 0, FIRST_IN_LINE)
    controller = os.getppid()
    pipe = _Pipe()
    devices: dict[str, Any] = {}
    folder: Path | None = None
    wait = Waiting(controller)
    _say("ready")
    while True:
        lines = pipe.lines(SILENCE_S if devices else None)
        if lines:
            wait.note_word()
        elif lines is None or (devices and not wait.excuses()):
            break
        for line in lines:
            if line == "done":
                return
            if not line:
                _say("")
                continue
            message = json.loads(line)
            if "folder" in message:
                folder = Path(message["folder"])
            if "arm" in message:
                devices = {role: _build(device) for role, device in message["arm"].items()}
                _say("armed")
    if devices:
        why = "the controller ended without a word" if lines is None else f"no heartbeat for {SILENCE_S} s"
        act(devices, controller, folder, why)


def _say(word: str) -> None:
    """To a controller that is gone nothing can be said: the end of its pipe tells the rest."""
    with contextlib.suppress(OSError):
        os.write(1, word.encode() + b"\n")


def _build(device: Mapping[str, Any]) -> Any:
    from drivers.shelf import open_driver

    return open_driver(device["driver"], device["link"], device["name"], **device["options"])


def act(devices: Mapping[str, Any], controller: int, folder: Path | None, why: str) -> None:
    """Kill the controller, then take generator and axis down at the same time; leave a note in the folder."""
    from rig.control.stop import in_parallel

    start_s = time.monotonic()
    killed = _kill(controller)
    work: dict[str, Callable[[], None]] = {role: _take_down(role, one, start_s) for role, one in devices.items()}
    outcome = in_parallel(work, TRY_FOR_S + 1.0)
    note = {
        "utc": datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z"),
        "reason": why,
        "controller_killed": killed,
        "took_s": round(time.monotonic() - start_s, 3),
    } | {
        role: fault or ("output off, verified" if role == "generator" else "halted") for role, fault in outcome.items()
    }
    sys.stderr.write(f"anglewright watchdog: {json.dumps(note)}\n")
    if folder is not None:
        aside = folder / "watchdog.json.part"
        aside.write_text(json.dumps(note, indent=1) + "\n", encoding="utf-8")
        aside.replace(folder / "watchdog.json")


def _kill(controller: int) -> bool:
    if os.getppid() != controller:
        return False
    try:
        os.kill(controller, signal.SIGKILL)
    except ProcessLookupError:
        return False
    return True


def _take_down(role: str, instrument: Any, start_s: float) -> Callable[[], None]:
    def once() -> None:
        instrument.open()
        try:
            if role == "generator":
                instrument.output(False)
            else:
                instrument.halt()
            instrument.safe_state()
        finally:
            instrument.close()

    def take_down() -> None:
        while True:
            try:
                once()
                return
            except (RigError, OSError):
                if time.monotonic() - start_s > TRY_FOR_S:
                    raise
                time.sleep(RETRY_S)

    return take_down


if __name__ == "__main__":
    main()
