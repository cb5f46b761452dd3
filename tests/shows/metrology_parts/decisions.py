"""10 000 simulated decisions near the limit for each rule: no pass for a part outside its limit beyond the stated risk.

    .venv/bin/python tests/shows/metrology_parts/decisions.py

Parts stand at the limit and up to two standard uncertainties beyond it (the limit itself is the worst case that the
stated risk is for). Every estimate carries a fresh error, every U its own degrees of freedom; verdicts come from the
rig's own judge. A count may exceed the stated risk only by what chance does once in 1000 (binomial). Beside it: of the
parts passed with true values spread evenly across the limit, the share that is outside. Exit status 1 on a miss.
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass

import numpy as np

from rig.uncertainty.conformity import Verdict, verdict_of, worst_specific_risk
from rig.uncertainty.coverage import coverage_factor

COUNT = 10_000
RULES = {"simple": 0.0, "w = 0.83 U": 0.83, "w = U": 1.0, "w = 1.5 U": 1.5, "w = 3 U": 3.0}
SIDES: dict[str, tuple[float | None, float | None]] = {
    "upper": (None, 10.0),
    "lower": (10.0, None),
    "both": (4.0, 10.0),
}
DOFS = (math.inf, 8.0)
U_TRUE = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One rule, one kind of limit: passes of parts at the limit, of parts beyond it, and what was stated."""

    rule: str
    side: str
    dof: float
    stated_risk: float
    at_limit: float
    beyond: float
    outside_of_passed: float
    allowed: float

    @property
    def kept(self) -> bool:
        """No more wrong passes than stated."""
        return max(self.at_limit, self.beyond) <= self.allowed and self.outside_of_passed <= self.allowed


def allowed_share(risk: float, count: int) -> float:
    """The share that a true risk exceeds by chance once in 1000."""
    from scipy import stats

    return float(stats.binom.ppf(0.999, count, min(1.0, risk))) / count


def passes(
    true: np.ndarray, multiplier: float, limits: tuple[float | None, float | None], dof: float, rng: np.random.Generator
) -> np.ndarray:
    """Which of these parts pass: each measured once, with its own error and its own estimate of u."""
    k = coverage_factor(dof)
    spread = np.ones(true.size) if math.isinf(dof) else np.sqrt(rng.chisquare(dof, true.size) / dof)
    estimates = true + U_TRUE * rng.standard_normal(true.size)
    return np.array(
        [
            verdict_of(float(y), float(k * U_TRUE * s), *limits, multiplier) is Verdict.PASS
            for y, s in zip(estimates, spread, strict=True)
        ]
    )


def row(rule: str, side: str, dof: float, count: int, rng: np.random.Generator) -> Row:
    """One line of the table."""
    multiplier, limits = RULES[rule], SIDES[side]
    limit, outward = (limits[1], 1.0) if limits[1] is not None else (limits[0] or 0.0, -1.0)
    assert limit is not None
    at = np.full(count, limit)
    beyond = limit + outward * U_TRUE * rng.uniform(0.0, 2.0, count)
    across = limit + outward * U_TRUE * rng.uniform(-6.0, 6.0, count)
    passed = passes(across, multiplier, limits, dof, rng)
    outside = outward * (across - limit) > 0
    risk = worst_specific_risk(multiplier, coverage_factor(dof), dof)
    return Row(
        rule=rule,
        side=side,
        dof=dof,
        stated_risk=risk,
        at_limit=float(np.mean(passes(at, multiplier, limits, dof, rng))),
        beyond=float(np.mean(passes(beyond, multiplier, limits, dof, rng))),
        outside_of_passed=float(np.mean(outside[passed])) if passed.any() else 0.0,
        allowed=allowed_share(risk, count),
    )


def decisions(count: int = COUNT, seed: int = 4) -> list[Row]:
    """The whole table; `count` decisions for each of its three figures in each line."""
    rng = np.random.default_rng(seed)
    return [row(rule, side, dof, count, rng) for rule in RULES for side in SIDES for dof in DOFS]


def show(count: int = COUNT) -> bool:
    """Print the table; True when no rule passes more than it states."""
    rows = decisions(count)
    print(
        f"{count} decisions a figure. Rule, limit, dof: stated risk | passes at, beyond the limit | of passed, outside"
    )
    for r in rows:
        print(
            f"  {r.rule:<11} {r.side:<6} {r.dof:>4g}: {100 * r.stated_risk:7.3f} % | {100 * r.at_limit:6.2f} % "
            f"{100 * r.beyond:6.2f} % | {100 * r.outside_of_passed:5.2f} % {'' if r.kept else '  MISSED'}"
        )
    return all(r.kept for r in rows)


if __name__ == "__main__":
    sys.exit(0 if show() else 1)
