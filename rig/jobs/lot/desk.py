"""What a sitting asks of whoever sits at the bench, and shows him: a protocol that the terminal (or a page) fulfils.

Nothing here arms or starts anything.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

from rig.control.step import Progress
from rig.jobs.hands.scanner import Entry


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

    def progress(self, told: Progress) -> None:
        """How far a run is."""
