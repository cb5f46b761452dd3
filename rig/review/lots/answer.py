"""What the plan answers, group by group and for the lot, and what stands up to the supplier.

It must never decide for a person. A group is not accepted once Re is reached, whatever is still open; accepted once
even the open units could not exceed Ac; open else. Towards the supplier only nonconformity shown beyond U counts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from rig.review.lots.counting import CONFORMS, NONCONFORMING, UNDECIDED, Counted
from rig.review.lots.lot import Lot, Unit
from rig.review.lots.plan import Numbered
from rig.statistics.variables_plan import VariablesAnswer, VariablesPlan, judge_variables

OPEN, ACCEPTED, REFUSED = "open", "accepted", "not accepted"
STANDS, UNDECIDED_TOWARDS, NOTHING = "rejection shown beyond U", "undecided towards the supplier", "nothing to claim"


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupAnswer:
    """One check. units: label -> what it counts as; answer: the plan's; towards: to the supplier; why: in words.

    wanted: n of the plan; variables: of the k method.
    """

    check: Numbered
    units: dict[str, Counted]
    wanted: int
    answer: str
    towards: str
    why: str
    variables: VariablesAnswer | None = None

    def number(self, state: str) -> int:
        """How many units count so."""
        return sum(1 for one in self.units.values() if one.state == state)

    @property
    def nonconforming(self) -> int:
        """By the plan's rule."""
        return self.number(NONCONFORMING)

    @property
    def shown_beyond_u(self) -> int:
        """Of them, shown beyond U."""
        return sum(1 for one in self.units.values() if one.is_shown)

    @property
    def open_units(self) -> int:
        """Units of the sample without a verdict: undecided or not tested."""
        return self.wanted - self.number(CONFORMS) - self.nonconforming

    def to_dict(self) -> dict[str, Any]:
        """As JSON-ready data."""
        return {
            "group": self.check.name,
            "plan": self.check.words,
            "severity": self.check.severity,
            "n": self.wanted,
            "accept": self.check.accept,
            "reject": self.check.reject,
            "k": self.check.k,
            "every_unit": self.check.every_unit,
            "conforming": self.number(CONFORMS),
            "nonconforming": self.nonconforming,
            "shown_beyond_U": self.shown_beyond_u,
            "undecided": self.number(UNDECIDED),
            "not_tested": self.wanted - len(self.units),
            "answer": self.answer,
            "towards_supplier": self.towards,
            "why": self.why,
            "variables": None if self.variables is None else _figures(self.variables),
            "units": {label: one.state for label, one in self.units.items()},
        }


def _figures(found: VariablesAnswer) -> dict[str, Any]:
    """Of the k method, JSON-ready: null never NaN."""
    figures = {"mean": found.mean, "s": found.s, "normality_p": found.normality}
    known = {name: value if value is not None and math.isfinite(value) else None for name, value in figures.items()}
    return known | {"quality": [q for q in found.quality if math.isfinite(q)], "u_decides": found.u_decides}


@dataclass(frozen=True, slots=True, kw_only=True)
class LotAnswer:
    """groups in the order of the plan; answer of the lot: not accepted if any is not, open if any is, else accepted."""

    groups: tuple[GroupAnswer, ...]

    @property
    def answer(self) -> str:
        """Of the whole lot."""
        found = [group.answer for group in self.groups]
        return REFUSED if REFUSED in found else OPEN if OPEN in found else ACCEPTED

    @property
    def towards(self) -> str:
        """What stands up to the supplier."""
        found = [group.towards for group in self.groups]
        return STANDS if STANDS in found else UNDECIDED_TOWARDS if UNDECIDED_TOWARDS in found else NOTHING


def answer_of(lot: Lot) -> LotAnswer:
    """The plan's answer as the lot stands."""
    return LotAnswer(groups=tuple(_group(lot, check) for check in lot.checks))


def _group(lot: Lot, check: Numbered) -> GroupAnswer:
    sample = lot.sample(check)
    units = {unit.label: lot.count_of(check, unit) for unit in sample if unit.runs or unit.seen}
    whole = GroupAnswer(check=check, units=units, wanted=check.n, answer=OPEN, towards=NOTHING, why="")
    if check.k is not None:
        return _by_variables(lot, check, sample, whole)
    d, left = whole.nonconforming, whole.open_units
    lacking = check.n - len(sample)
    if d >= check.reject:
        answer, why = REFUSED, f"{d} nonconforming in {len(units)}, Re {check.reject}"
    elif d + left <= check.accept:
        answer, why = ACCEPTED, f"{d} nonconforming in {check.n}, Ac {check.accept}"
    elif left:
        told = f"; {lacking} can't be tested any more, the plan is not complete" if lacking > 0 else ""
        answer, why = OPEN, f"{left} of {check.n} units have no verdict{told}"
    else:
        answer, why = check.plan().answer(d), f"{d} nonconforming, between Ac {check.accept} and Re {check.reject}"
    towards = STANDS if whole.shown_beyond_u >= check.reject else UNDECIDED_TOWARDS if answer == REFUSED else NOTHING
    return _state_answer(whole, answer, towards, why)


def _state_answer(
    group: GroupAnswer, answer: str, towards: str, why: str, variables: VariablesAnswer | None = None
) -> GroupAnswer:
    return GroupAnswer(
        check=group.check,
        units=group.units,
        wanted=group.wanted,
        answer=answer,
        towards=towards,
        why=why,
        variables=variables,
    )


def _by_variables(lot: Lot, check: Numbered, sample: Sequence[Unit], whole: GroupAnswer) -> GroupAnswer:
    lines = [line for unit in sample if (line := unit.lines(lot.rule).get(check.check.lines[0])) is not None]
    sound = [
        (line.result.estimate, line.result.U or 0.0, line.limit)
        for line in lines
        if line.result is not None
        and line.result.estimate is not None
        and not line.result.qualifier
        and not line.spoiled
        and line.limit is not None
    ]
    if not sound:
        return _state_answer(whole, OPEN, NOTHING, "no unit has a figure and a limit here")
    limit, U = sound[-1][2], max(row[1] for row in sound)
    plan = VariablesPlan(n=check.n, k=check.k or 0.0)
    values = [row[0] for row in sound]
    found = judge_variables(values, plan, limit.lower, limit.upper, U=U, log=check.check.log, sigma=check.check.sigma)
    if found.accepted is None:
        return _state_answer(whole, OPEN, NOTHING, found.why, found)
    told = f"(limit - mean) / s = {min(found.quality):.3g} against k {plan.k:.4g} over {len(values)} units"
    if found.accepted:
        return _state_answer(whole, ACCEPTED, NOTHING, told, found)
    reach = (U / (sum(values) / len(values)) if check.check.log else U) / found.s if found.s else math.inf
    stands = min(found.quality) + reach < plan.k
    return _state_answer(whole, REFUSED, STANDS if stands else UNDECIDED_TOWARDS, told, found)
