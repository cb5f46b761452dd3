"""Plans by variables: the mean of n units, with their s or the known one, against one limit or both (k method).

It must never know a line. Accepted when (limit - mean) / s >= k. Source: the k method of ISO 3951-1, computed by the
noncentral t and not taken from its table. p and risks are shares, 0 to 1. Errors: ValueError naming the figure.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from rig.statistics.sampling_plan import MOST_N

LEAST_FOR_NORMALITY = 8
U_SHARE = 1.0 / 3.0  # of s: above it the measurement decides, not the parts


@dataclass(frozen=True, slots=True, kw_only=True)
class VariablesPlan:
    """Accepted when (limit - mean) / s >= k over n units; sigma_known: s is the process's known deviation instead."""

    n: int
    k: float
    sigma_known: bool = False


def variables_plan(
    good: float, accept: float, bad: float, accept_bad: float, *, sigma_known: bool = False, most: int = MOST_N
) -> VariablesPlan:
    """The smallest n that holds both risks for one limit of a normal line, and the k that holds the supplier's exactly.

    good: share outside that is accepted with probability `accept`; bad: with `accept_bad` at most.
    """
    if not (0.0 < good < bad < 1.0 and 0.0 < accept_bad < accept < 1.0):
        raise ValueError(
            f"good {good}, bad {bad}, accept {accept}, accept_bad {accept_bad}: good < bad, and the reverse"
        )
    for n in range(2, most + 1):
        k = _largest_k(n, good, accept, sigma_known)
        if variables_acceptance(n, k, bad, sigma_known=sigma_known) <= accept_bad:
            return VariablesPlan(n=n, k=k, sigma_known=sigma_known)
    raise ValueError(f"no plan of up to {most} units holds both risks; they lie too close together")


def _largest_k(n: int, good: float, accept: float, sigma_known: bool) -> float:
    from scipy.special import ndtri
    from scipy.stats import nct

    z, root = float(ndtri(1.0 - good)), math.sqrt(n)
    return z - float(ndtri(accept)) / root if sigma_known else float(nct.ppf(1.0 - accept, n - 1, z * root)) / root


def variables_acceptance(n: int, k: float, p: float, *, sigma_known: bool = False) -> float:
    """Probability that (limit - mean) / s >= k when a share p of a normal line lies outside one limit."""
    from scipy.special import ndtr, ndtri
    from scipy.stats import nct

    z, root = float(ndtri(1.0 - p)), math.sqrt(n)
    return float(ndtr((z - k) * root)) if sigma_known else float(nct.sf(k * root, n - 1, z * root))


@dataclass(frozen=True, slots=True, kw_only=True)
class VariablesAnswer:
    """quality: (limit - mean) / s of each side that has a limit; accepted None: nothing can be said, see `why`.

    normality: p of the test for a normal sample (Shapiro and Wilk), None below 8 units; u_decides: U exceeds a third of
    s, so that the measurement and not the parts decides.
    """

    mean: float
    s: float
    quality: tuple[float, ...]
    accepted: bool | None
    normality: float | None
    u_decides: bool
    why: str = ""


def judge_variables(
    values: Sequence[float],
    plan: VariablesPlan,
    lower: float | None,
    upper: float | None,
    *,
    U: float,
    log: bool = False,
    sigma: float | None = None,
) -> VariablesAnswer:
    """The k method on a sample. log: on the logarithm of values that can't be negative (U is then taken relative).
    sigma: the known deviation, on that scale; None: s of the sample.

    With two limits each side has to hold k (separate control of both). Nothing is said for a sample smaller than the
    plan, not normal (p < 0.01), or of which U decides.
    """
    if lower is None and upper is None:
        raise ValueError("the k method needs a limit")
    if log and (min(values, default=0.0) <= 0.0 or (upper is not None and upper <= 0.0)):
        return VariablesAnswer(
            mean=math.nan, s=math.nan, quality=(), accepted=None, normality=None, u_decides=False, why="a value of zero"
        )
    middle = sum(values) / max(len(values), 1)
    x = [math.log(v) for v in values] if log else [float(v) for v in values]
    ends = [None if e is None or (log and e <= 0) else math.log(e) if log else e for e in (lower, upper)]
    spread = U / middle if log and middle else U
    n, mean = len(x), sum(x) / max(len(x), 1)
    s = sigma or (math.sqrt(sum((v - mean) ** 2 for v in x) / (n - 1)) if n > 1 else math.nan)
    normality = _normality(x, s)
    decides = n > 1 and spread > U_SHARE * s
    why = f"{n} of {plan.n} units have a figure" if n < plan.n else ""
    why = why or ("the sample is not like a normal one" if normality is not None and normality < 0.01 else "")
    why = why or ("U exceeds a third of s: the measurement decides, not the parts" if decides else "")
    sides = [(mean - ends[0]) if ends[0] is not None else None, (ends[1] - mean) if ends[1] is not None else None]
    quality = tuple(d / s if s else math.copysign(math.inf, d) for d in sides if d is not None) if n > 1 else ()
    accepted = None if why else all(q >= plan.k for q in quality)
    return VariablesAnswer(
        mean=mean, s=s, quality=quality, accepted=accepted, normality=normality, u_decides=decides, why=why
    )


def _normality(x: Sequence[float], s: float) -> float | None:
    if len(x) < LEAST_FOR_NORMALITY or not s > 0.0:
        return None
    from scipy.stats import shapiro

    return float(shapiro(x).pvalue)
