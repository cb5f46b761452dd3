"""What one unit counts as in one check: conforms, nonconforming, or undecided; and whether it is shown beyond U.

It must never judge a line: verdicts are those of its runs. After a re-seat the second reading counts for the lines that
a re-seat can clear; of all others the worse one, so that resistance, leak and pins are never cleared by re-seating.
Nonconforming by the plan's rule is the shop's own decision; shown beyond U (verdict fail) is what stands up to the
supplier.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase

from rig.description.lots import VISUAL, Check
from rig.measurands import MEASURANDS
from rig.result import Judged, Judgement
from rig.uncertainty.conformity import Verdict

CONFORMS, NONCONFORMING, UNDECIDED = "conforms", "nonconforming", "undecided"
DECIDED = (Verdict.PASS, Verdict.CONDITIONAL_PASS, Verdict.CONDITIONAL_FAIL, Verdict.FAIL)
WORSE = {verdict: n for n, verdict in enumerate(DECIDED)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """What is frozen with the plan."""

    nonconforming: tuple[str, ...]
    cleared_by_reseat: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Counted:
    """A unit in a check. bad: lines outside; shown: of these beyond U; open_: lines without a verdict, with why."""

    state: str
    bad: tuple[str, ...] = ()
    shown: tuple[str, ...] = ()
    open_: tuple[str, ...] = ()

    @property
    def is_shown(self) -> bool:
        """Nonconformity beyond U: it stands up to the supplier."""
        return bool(self.shown)


def lines_that_count(judgements: Sequence[Judgement], rule: Rule) -> dict[str, Judged]:
    """Measurand -> the line that counts, of a unit's judged runs in their order (first test, then its retest)."""
    made: dict[str, Judged] = {}
    for judgement in judgements:
        for line in judgement.judged:
            before = made.get(line.measurand)
            made[line.measurand] = line if before is None else _of_two(before, line, rule)
    return made


def _of_two(first: Judged, second: Judged, rule: Rule) -> Judged:
    if not _is_decided(second):
        return first
    if not _is_decided(first) or any(fnmatchcase(first.measurand, one) for one in rule.cleared_by_reseat):
        return second
    return max(first, second, key=lambda line: WORSE[line.verdict])


def _is_decided(line: Judged) -> bool:
    return line.verdict in DECIDED and not line.spoiled


def count(check: Check, lines: Mapping[str, Judged], seen: Mapping[str, str], rule: Rule) -> Counted:
    """What a unit counts as. lines: as `lines_that_count`; seen: what was looked at -> "good" or "bad"."""
    own = [line for id_, line in lines.items() if id_ in MEASURANDS and check.holds(id_) and line.limit is not None]
    bad = [line.measurand for line in own if _is_decided(line) and line.verdict.value in rule.nonconforming]
    shown = [line.measurand for line in own if _is_decided(line) and line.verdict is Verdict.FAIL]
    open_ = [f"{line.measurand}: {line.spoiled or line.verdict.value}" for line in own if not _is_decided(line)]
    if VISUAL in check.lines:
        bad += [f"{VISUAL}: {name}" for name, word in seen.items() if word == "bad"]
        shown += [f"{VISUAL}: {name}" for name, word in seen.items() if word == "bad"]
        open_ += [] if seen else [f"{VISUAL}: not looked at"]
    if not own and VISUAL not in check.lines:
        open_ = ["no line of this check has a limit and a reading"]
    state = NONCONFORMING if bad else UNDECIDED if open_ else CONFORMS
    return Counted(state=state, bad=tuple(bad), shown=tuple(one for one in shown if one in bad), open_=tuple(open_))
