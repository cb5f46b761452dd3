"""One fault of a part as a row: its pattern, how often it is met, the test that would decide, the lines of a witness.

It must never rank. A check gives the signs that it found; only a row makes a Finding of them, so that each code is
built in one place.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from rig.evaluation.inspection.inspection import Inspection
from rig.result import Finding, Result


@dataclass(frozen=True, slots=True, kw_only=True)
class Sign:
    """What a check found. weight: 0 to 1, how much of the pattern is there; name: the coil or place, for the row's
    text; text, next_test: in place of the row's own, where this case needs other words."""

    weight: float
    evidence: str
    against: str = ""
    name: str = ""
    text: str = ""
    next_test: str = ""


Check = Callable[[Inspection, Sequence[Result]], Sequence[Sign]]
Fact = Callable[[Inspection], bool]


@dataclass(frozen=True, slots=True, kw_only=True)
class Pattern:
    """prior: share among faulty parts taken in for rebuild (a shop's judgement, not a count); looks_at: in words;
    text: what is wrong ("{name}" stands for the coil); blocked_by: codes that explain this pattern away; unless: facts
    that leave it unasked; asks: the lines that a witness run is asked about."""

    code: str
    prior: float
    looks_at: str
    check: Check
    text: str
    next_test: str
    blocked_by: tuple[str, ...] = ()
    unless: tuple[Fact, ...] = ()
    asks: tuple[str, ...] = ()

    def finding(self, sign: Sign, probability: float) -> Finding:
        """The finding that this sign gives, labelled as a hint."""
        return Finding(
            code=self.code,
            probability=round(probability, 3),
            evidence=sign.evidence,
            against=sign.against,
            next_test=sign.next_test or self.next_test.format(name=sign.name),
            text=f"Hint: {sign.text or self.text.format(name=sign.name)}",
        )


def recognise(
    patterns: Sequence[Pattern], inspection: Inspection, results: Sequence[Result]
) -> list[tuple[Pattern, Sign]]:
    """The strongest sign of each pattern that the results show, in the order of the patterns."""
    found: dict[str, tuple[Pattern, Sign]] = {}
    for pattern in patterns:
        if found.keys() & set(pattern.blocked_by) or any(fact(inspection) for fact in pattern.unless):
            continue
        if signs := pattern.check(inspection, results):
            found[pattern.code] = pattern, max(signs, key=lambda sign: sign.weight)
    return list(found.values())
