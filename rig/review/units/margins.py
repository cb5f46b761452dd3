"""How much of a tolerance a line leaves free, and by how much two units differ: figures, never verdicts.

U of a difference is the root of the squares of both U over re-clamping (GUM 5.1.2): influences that both runs share are
counted twice, so it errs on the large side. Where the part number's re-clamping scatter s is known of one run only, the
other's U is widened by the same s (k = 2). It opens no file.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from rig.result import Judged, Judgement, Result
from rig.uncertainty.conformity import Verdict
from rig.uncertainty.sameness import exceeds

TESTED = (Verdict.PASS, Verdict.CONDITIONAL_PASS, Verdict.CONDITIONAL_FAIL, Verdict.FAIL, Verdict.NOT_CAPABLE)
K = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """value less reference in the measurand's unit; U at 95.45 %, None where a run states none.

    reclamped: the re-clamping scatter is in U; without it U holds for the two clampings only.
    """

    value: float
    U: float | None
    reclamped: bool

    @property
    def beyond(self) -> bool:
        """Larger than its uncertainty."""
        return self.U is not None and exceeds(self.value, self.U)


def share_used(line: Judged) -> float:
    """How much of the tolerance estimate and U together use up: 1 at the limit."""
    result, limit = line.result, line.limit
    if limit is None or result is None or result.estimate is None:
        return 0.0
    y, U = result.estimate, result.U or 0.0
    if limit.lower is not None and limit.upper is not None:
        half = (limit.upper - limit.lower) / 2.0
        return (abs(y - (limit.upper + limit.lower) / 2.0) + U) / half if half else 0.0
    if limit.upper is not None:
        return (y + U) / limit.upper if limit.upper else 0.0
    return limit.lower / max(y - U, 1e-300) if limit.lower else 0.0


def margin(judgement: Judgement) -> tuple[float, str] | None:
    """(smallest share of a tolerance left free by estimate and U, its measurand); None when no line has a limit."""
    tested = [line for line in judgement.judged if line.limit is not None and line.verdict in TESTED]
    known = [
        (1.0 - share_used(line), line.measurand)
        for line in tested
        if line.limit and line.limit.lower != line.limit.upper
    ]
    return min(known) if known else None


def difference(line: Judged | None, reference: Judged | None) -> Difference | None:
    """line less reference; None unless both have an estimate that is no bound and was soundly measured."""
    a, b = _figure(line), _figure(reference)
    if a is None or b is None or a.estimate is None or b.estimate is None:
        return None
    s = max((float(r.conditions.get("reclamping_s") or 0.0) for r in (a, b)), default=0.0)
    wide = [_reclamping_margin(r, s) for r in (a, b)]
    U = None if wide[0] is None or wide[1] is None else math.hypot(wide[0], wide[1])
    return Difference(value=a.estimate - b.estimate, U=U, reclamped=s > 0.0)


def _figure(line: Judged | None) -> Result | None:
    if line is None or line.result is None or line.result.qualifier or line.verdict is Verdict.NOT_TESTED:
        return None
    return line.result


def _reclamping_margin(result: Result, s: float) -> float | None:
    known = result.conditions.get("U_reclamped")
    if isinstance(known, int | float):
        return float(known)
    return None if result.U is None else math.hypot(result.U, K * s)
