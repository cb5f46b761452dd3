"""The terminal as a client of a controller: starts it, attends, shows what it tells, passes a stop on.

Ctrl-C, SIGTERM and SIGHUP ask the controller to stop and wait for its end; when this process is killed, an attended
run ends safe ten seconds later. It must never open an instrument or write into a run's folder.
"""

from __future__ import annotations

import json
import signal
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import click

from rig.errors import PROGRAM_FAULT, LinkDown, RigError
from rig.jobs.controller.ask import Ask
from rig.jobs.controller.client import LiveClient, fault_of, start
from rig.jobs.controller.frames import Message
from rig.jobs.operator.terminal import question_line
from rig.system import typed_within

SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
WATCHDOG_S = 12.0  # what it takes at most, and a little


def follow(ask: Ask, show: Callable[[Message], None], *, marks: bool = False) -> dict[str, Any]:
    """Ask a controller of its own, follow it to its end; how it ended. Raises the fault that ended it.

    marks: Enter at the terminal marks the moment, once the run has begun (before that the line is the arming's).
    """
    hands = sys.stdin.isatty()
    started = start(ask)
    run: Mapping[str, Any] = {}
    told: Mapping[str, Any] | None = None
    with LiveClient(started.path, attend=ask.attended, hands=hands) as live, _stops() as asked_to_stop:
        stopping = False
        for message in live.messages(0.1):
            if asked_to_stop() and not stopping:
                stopping = True
                with suppress(RigError):
                    live.say("stop", by=f"{asked_to_stop()} at the terminal")
            if marks and hands and run and typed_within(0.0):
                sys.stdin.readline()
                with suppress(RigError):
                    live.say("mark", text="Enter at the terminal", by="the terminal")
            if message is None:
                continue
            if message.kind in ("run", "snapshot"):
                run = message.head.get("run", message.head) if message.kind == "snapshot" else message.head
            if message.kind == "ended" or (message.kind == "snapshot" and message.head.get("ended")):
                told = message.head if message.kind == "ended" else message.head["ended"]
                break
            if message.kind == "question" and message.head.get("question") and hands:
                _put(live, message)
            show(message)
    started.process.wait()
    if told is None:
        raise _lost_controller(run)
    if "program_fault" in told:
        click.echo(f"anglewright: {told['program_fault']}", err=True)
        raise SystemExit(PROGRAM_FAULT)
    if (fault := fault_of(told.get("fault"))) is not None:
        fault.exit_status = int(told["exit_status"])
        raise fault
    return dict(told)


def _put(live: LiveClient, message: Message) -> None:
    answers = [str(one) for one in message.head.get("answers", ())]
    click.echo(f"\n{question_line(message.head['text'], tuple(answers))}", err=True)
    line = sys.stdin.readline().strip()
    with suppress(RigError):
        live.say("advance", answer=line, question=message.head["question"])


def _lost_controller(run: Mapping[str, Any]) -> RigError:
    """The controller ended without a word: what its watchdog has left beside the run."""
    note = Path(str(run.get("folder", ""))) / "watchdog.json"
    until_s = time.monotonic() + WATCHDOG_S
    while run and not note.is_file() and time.monotonic() < until_s:
        time.sleep(0.1)
    safe = "nothing was begun"
    if run:
        safe = "no note of the watchdog was found: look at the bench"
        with suppress(OSError, ValueError):
            told = json.loads(note.read_text(encoding="utf-8"))
            safe = f"made safe by the watchdog at {told['utc']}: generator {told.get('generator', 'not there')}"
    kept = f" The run is kept as {run['id']}, incomplete." if run.get("id") else ""
    return LinkDown(
        f"the controller ended without a word; {safe}.",
        instrument="controller",
        next_action=f"Look at the bench, then start again.{kept}",
    )


@contextmanager
def _stops() -> Iterator[Callable[[], str]]:
    """What signals ask for, as a word; "" while none came."""
    came: list[str] = []

    def note(number: int, _frame: object) -> None:
        came.append("Ctrl-C" if number == signal.SIGINT else signal.Signals(number).name)

    before = {number: signal.signal(number, note) for number in SIGNALS}
    try:
        yield lambda: came[0] if came else ""
    finally:
        for number, handler in before.items():
            if handler is not None:
                signal.signal(number, handler)
