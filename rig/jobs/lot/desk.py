"""What a sitting asks of whoever sits at the bench, and shows him: a protocol that the terminal (or a page) fulfils.

Nothing here arms or starts anything.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

from rig.jobs.kept.kept_run import Finished
from rig.jobs.operator.scanner import Entry
from rig.jobs.run_job import Request


@dataclass(frozen=True, slots=True, kw_only=True)
class NextUnit:
    """What is shown of the next unit. place: n of m; listed: its serial number, "" where the scan brings it; last: what
    became of the unit before, "" at first; retest: that one may be seated again and tested again, once."""

    lot: str
    label: str
    listed: str
    box: str
    position: int
    place: tuple[int, int]
    test: str
    last: str = ""
    retest: str = ""


class Desk(Protocol):
    """The person's side of a sitting."""

    def show(self, unit: NextUnit) -> None:
        """The next unit, its label largest."""

    def read(self) -> Entry:
        """The next scan or key."""

    def ask(self, question: str, keys: Mapping[str, str]) -> str:
        """One of the keys; "" at the end of the input."""

    def line(self, question: str) -> str:
        """A line typed by hand: a serial number, a reason."""

    def tell(self, text: str, *, trouble: bool = False) -> None:
        """Something that has to be seen."""

    def run(self, request: Request, details: Mapping[str, object]) -> Finished:
        """Run what is asked on the bench, by a controller of its own; details: of the unit, for the run's header.

        Raises the fault that ended it.
        """
