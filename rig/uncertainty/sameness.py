"""When two figures are the same: the one rule for everything that compares a figure with an earlier one.

The order of a sum, another machine or another number of threads may change the last bits of a figure. A difference
below NO_DIFFERENCE of the uncertainty is therefore none; without an uncertainty it is NO_DIFFERENCE of the figure
itself. It knows no measurand and no file.
"""

from __future__ import annotations

import math

NO_DIFFERENCE = 1e-9


def same_figure(a: float, b: float, U: float | None = None) -> bool:
    """Whether two figures are the same. a, b in one unit; U: expanded uncertainty in that unit, None or 0 for none.

    NaN is the same as NaN, an infinity as itself.
    """
    if math.isnan(a) or math.isnan(b):
        return math.isnan(a) and math.isnan(b)
    if U is not None and math.isfinite(U) and U > 0.0:
        return a == b or abs(a - b) <= NO_DIFFERENCE * U
    return math.isclose(a, b, rel_tol=NO_DIFFERENCE, abs_tol=0.0)


def exceeds(difference: float, U: float) -> bool:
    """Whether the size of a difference is larger than its expanded uncertainty U (same unit, 0 or more)."""
    return abs(difference) > U and not same_figure(abs(difference), U, U)
