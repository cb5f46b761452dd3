"""How figures are printed: U to two digits, the estimate to the same decimal, never against the verdict.

It knows no measurand and no unit. Rule: round half up (away from zero), but up wherever rounding to the nearest would
shrink U by more than 2.5 %; it meets all three examples of the GUM (10.47 -> 11, 28.05 -> 28, 10.05762 with 0.027 ->
10.058). Figures are only rounded for print; decisions use the unrounded ones.
Source: JCGM 100:2008 7.2.6; ILAC-P14:09/2020 5.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable
from decimal import ROUND_HALF_UP, ROUND_UP, Context, Decimal

from rig.errors import UsageError

_MOST_SHRINK = Decimal("0.025")
_CONTEXT = Context(prec=400, rounding=ROUND_HALF_UP)


def _plain(value: Decimal) -> str:
    text = format(value, "f")
    return text[1:] if text.startswith("-") and not text.strip("-0.") else text


def _rounded_U(U: Decimal, digits: int) -> Decimal:
    step = Decimal(1).scaleb(U.adjusted() - digits + 1)
    nearest = U.quantize(step, rounding=ROUND_HALF_UP, context=_CONTEXT)
    if nearest < U * (1 - _MOST_SHRINK):
        nearest = U.quantize(step, rounding=ROUND_UP, context=_CONTEXT)
    if nearest.adjusted() > U.adjusted():
        nearest = nearest.quantize(step.scaleb(1), context=_CONTEXT)
    return nearest


def round_result(estimate: float, U: float, digits: int = 2) -> tuple[str, str]:
    """(estimate, U) as text, U to `digits` significant digits, without exponents.

    U of zero prints the estimate as it is. Raises UsageError for NaN, infinity or a negative U.

    >>> round_result(10.05762, 0.027)
    ('10.058', '0.027')
    """
    if not (math.isfinite(estimate) and math.isfinite(U) and U >= 0 and digits >= 1):
        raise UsageError(
            f"{estimate!r} +- {U!r} to {digits} digits can't be printed: finite numbers and U >= 0 were expected.",
            next_action="Print the line as not tested.",
        )
    y = Decimal(repr(float(estimate)))
    if U == 0:
        return _plain(y), "0"
    shown = _rounded_U(Decimal(repr(float(U))), digits)
    step = Decimal(1).scaleb(int(shown.as_tuple().exponent))
    return _plain(y.quantize(step, rounding=ROUND_HALF_UP, context=_CONTEXT)), _plain(shown)


def round_for_verdict(
    estimate: float, U: float, verdict_of: Callable[[float, float], Hashable], digits: int = 2
) -> tuple[str, str]:
    """As `round_result`, with as many more digits as it takes for the printed pair to lead to the same verdict.

    verdict_of(estimate, U): the decision with its limits and rule bound in. The printed figures so never contradict
    the verdict beside them; with seventeen digits they are the figures themselves.
    """
    wanted = verdict_of(estimate, U)
    for more in range(digits, 18):
        texts = round_result(estimate, U, more)
        if verdict_of(float(texts[0]), float(texts[1])) == wanted:
            return texts
    return _plain(Decimal(repr(float(estimate)))), _plain(Decimal(repr(float(U))))
