"""A run as the terminal shows it while it goes on: the step, time left, both passes as strips, the error so far.

It computes nothing but the curve of curve.py, which is a picture and never a result.
"""

from __future__ import annotations

from typing import Any

from rig.cli.following import follow
from rig.cli.pages.run import ProgressLine
from rig.cli.pages.watch import WatchDisplay
from rig.control.step import Progress as Told
from rig.jobs.controller.ask import WATCH, of_request
from rig.jobs.controller.frames import Message
from rig.jobs.kept.kept_run import Finished, kept_run
from rig.jobs.run_job import Request
from rig.quantity import Reading


class Shown:
    """Takes a run's messages and shows them through the lines of `Progress`."""

    def __init__(self, *, quiet: bool) -> None:
        self._progress = ProgressLine(quiet=quiet)

    def __call__(self, message: Message) -> None:
        """One message."""
        head = message.head
        if message.kind == "progress":
            self._progress(_progress_of(head))


def _progress_of(head: Any) -> Told:
    left_s = head.get("time_left_s")
    figures = dict(head["figures"])
    if left_s is not None:
        figures["left"] = f"{left_s / 60:.0f} min" if left_s >= 90 else f"{left_s:.0f} s"
    return Told(step=head["step"], text=head["text"], done=head["done"], total=head["total"], figures=figures)


def run_shown(request: Request, *, quiet: bool) -> Finished:
    """A run of its own controller, shown; the kept run. Raises the fault that ended it."""
    ended = follow(of_request(request), Shown(quiet=quiet))
    return kept_run(str(ended["run"]))


def watch_shown(request: Request, watch: dict[str, Any], shown: WatchDisplay) -> Finished:
    """A watch of its own controller, its readings shown; the kept run."""

    def show(message: Message) -> None:
        if message.kind == "event" and message.head["event"] == "reading":
            shown.reading(Reading.from_dict(message.head["data"]))

    try:
        ended = follow(of_request(request, kind=WATCH, details={"watch": watch}), show, marks=True)
    finally:
        shown.close()
    return kept_run(str(ended["run"]))
