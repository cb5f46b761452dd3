"""A difference between two units as it is printed: in a readable unit, U to two digits."""

from __future__ import annotations

from rig.certificate.words.wording import DASH, figure_texts, find_measurand, scale_of, unit_suffix
from rig.result import Result
from rig.review.units.margins import Difference


def difference_text(id_: str, apart: Difference | None) -> str:
    """The difference of a measurand, e.g. "-0.52 ± 0.03 %"; a dash where there is none."""
    if apart is None:
        return DASH
    m = find_measurand(id_)
    scale = scale_of(m, max(abs(apart.value), apart.U or 0.0))
    result = Result(measurand=id_, estimate=apart.value, unit=m.unit, u=apart.U, k=1.0 if apart.U else None, dof=None)
    value, U = figure_texts(result, None, m, scale, 0.0)
    return f"{value}{f' ± {U}' if U else ''}{unit_suffix(scale.unit)}"
