"""From judged lines and reasons to the outcome of a run: the table stands in rig/review/judge.py."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from rig.result import Judged, Reason
from rig.uncertainty.conformity import Verdict

if TYPE_CHECKING:
    pass

UNDECIDED = (Verdict.CONDITIONAL_PASS, Verdict.CONDITIONAL_FAIL, Verdict.NOT_CAPABLE)


def spoiler(id_: str, reasons: Sequence[Reason]) -> Reason | None:
    """The first reason that makes a line worthless."""
    return next((reason for reason in reasons if "*" in reason.spoils or id_ in reason.spoils), None)


def roll_up(judged: Sequence[Judged], reasons: Sequence[Reason], *, cut_short: str = "") -> str:
    """The outcome of a run by the table above."""
    limited = [line for line in judged if line.limit is not None]
    fails = any(line.verdict is Verdict.FAIL for line in limited)
    if cut_short and not fails:
        return "incomplete"
    if any(reason.code == "not-this-kind" for reason in reasons):
        return "not this kind"
    if fails:
        return "outside limits"
    if _unsound(limited, reasons):
        return "unsound measurement"
    if not limited:
        return "undecided" if any(reason.question for reason in reasons) else "measured, no limits"
    untested = any(_is_required(line) and line.verdict is Verdict.NOT_TESTED for line in limited)
    if untested or any(line.verdict in UNDECIDED for line in limited):
        return "undecided"
    return "within limits"


def _is_required(line: Judged) -> bool:
    return line.limit is not None and line.limit.required


def _unsound(limited: Sequence[Judged], reasons: Sequence[Reason]) -> bool:
    of_the_rig = [reason for reason in reasons if not reason.on_part]
    if any("*" in reason.spoils for reason in of_the_rig):
        return True
    if not limited:
        return any(reason.spoils for reason in of_the_rig)
    return any(_is_required(line) and spoiler(line.measurand, of_the_rig) is not None for line in limited)
