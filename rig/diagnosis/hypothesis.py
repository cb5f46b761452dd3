"""One hypothesis about a part, before ranking. It must never know how hypotheses are ranked or printed."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Hypothesis:
    """code: a finding code; weight: 0 to 1, how much of its pattern is there; the rest as in rig.result.Finding."""

    code: str
    weight: float
    text: str
    evidence: str
    against: str
    next_test: str
