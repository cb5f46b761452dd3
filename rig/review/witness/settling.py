"""How a suspected line is settled once the rig's own share is known, and one answer of several lines or witnesses.

What lies within its limits without the rig's share was the rig's, where the share is larger than its U; what still lies
outside by more than U is the part's, or its seat's; the rest is open. Answers: rig/soundness/witness.py.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from rig.answer import SettledLine
from rig.measurands import measurand
from rig.review.witness.suspects import Suspect
from rig.soundness.witness import NOT_SEAT, OPEN, PART, PART_OR_SEAT, RIG


@dataclass(frozen=True, slots=True, kw_only=True)
class WithoutRig:
    """A suspected line without the rig's share. corrected: NaN where the rig left nothing to correct; U: of the share;
    share: whether the rig has one larger than its U; told: in figures."""

    corrected: float
    U: float
    share: bool
    told: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Settled:
    """One suspected line and what the witness says of it (the answers of witness.py), with the figures."""

    suspect: Suspect
    answer: str
    told: str

    def line(self) -> SettledLine:
        """As it is kept."""
        return SettledLine(line=self.suspect.line, reason=self.suspect.reason, answer=self.answer, told=self.told)

    def to_dict(self) -> dict[str, Any]:
        """As JSON-ready data."""
        return asdict(self.line())


def settle(suspect: Suspect, shown: WithoutRig | None, stays: str = "") -> Settled:
    """The comparison described above; None: the witness says nothing of this line. stays: the answer for what stays
    outside; by default the part's, or its seat's where a seat can do it."""
    if shown is None:
        return Settled(suspect=suspect, answer=OPEN, told="nothing of this line was seen")
    answer = OPEN
    if math.isnan(shown.corrected):
        answer = RIG
    elif not suspect.excess(suspect.value) > 0:
        answer = RIG if shown.share else OPEN
    elif suspect.excess(shown.corrected) == 0 and shown.share:
        answer = RIG
    elif suspect.excess(shown.corrected) > shown.U:
        answer = stays or (PART_OR_SEAT if "reseat" in suspect.kinds else PART)
    return Settled(suspect=suspect, answer=answer, told=shown.told)


def overall(settled: Sequence[Settled]) -> str:
    """One answer of all lines: the same where they agree (lines that can't be told apart), else one by one."""
    answers = {one.answer for one in settled if one.answer != OPEN} or {OPEN}
    if len(answers) == 1:
        return answers.pop()
    return "; ".join(f"{measurand(one.suspect.line).name}: {one.answer}" for one in settled if one.answer != OPEN)


def together(settled: Sequence[Settled]) -> dict[str, str]:
    """line -> what all witnesses together say of it."""
    by_line: dict[str, set[str]] = {}
    for one in settled:
        by_line.setdefault(one.suspect.line, set()).add(one.answer)
    return {line: _joined(answers) for line, answers in by_line.items()}


def _joined(answers: set[str]) -> str:
    if {PART_OR_SEAT, NOT_SEAT} <= answers and RIG not in answers:
        return PART
    return next(answer for answer in (RIG, PART, PART_OR_SEAT, NOT_SEAT, OPEN) if answer in answers)
