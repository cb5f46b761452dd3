"""How a result comes back at another clamping is printed beside the U of the single clamping, and never instead."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any, cast

import pytest

from rig.errors import UsageError
from rig.evaluation.bench.reclamping import KEY, judged_uncertainty, reproducibility, to_data, with_reclamping
from rig.evaluation.results import make_exact, make_result, make_untested, standard
from rig.observed import Observed
from rig.result import Result


def run(ratio: float) -> list[Result]:
    return [
        make_result("tr_sin", ratio, [standard("noise", 1e-4, "ratio")]),
        make_exact("pole_pairs", 4),
        make_untested("tr_cos", "not read"),
        make_result("leak_exc_core", 1e8, [], qualifier=">"),
    ]


def carrying(part: str, data: dict[str, Any]) -> Observed:
    """Only what is looked at: the part number and the header's calibration."""
    return cast(
        Observed, SimpleNamespace(part=SimpleNamespace(number=part), header={"calibration": {KEY: {"data": data}}})
    )


def test_scatter_of_a_line_over_clampings() -> None:
    """s is the standard deviation over the clampings; counts, bounds and untested lines have none."""
    lines = reproducibility([run(x) for x in (0.300, 0.301, 0.305)])
    assert [line.measurand for line in lines] == ["tr_sin"]
    assert lines[0].mean == pytest.approx(0.302)
    assert lines[0].s == pytest.approx(math.sqrt((4 + 1 + 9) / 2) * 1e-3)
    assert lines[0].n == 3
    assert lines[0].to_dict()["U"] == pytest.approx(2e-4, rel=1e-3)
    with pytest.raises(UsageError, match="two runs at least"):
        reproducibility([run(0.3)])


def test_it_stands_beside_the_single_u() -> None:
    """A later run of the part number carries s, n and U with the scatter; its own U and estimate stay as they are."""
    data = to_data("P-1", reproducibility([run(x) for x in (0.300, 0.301, 0.305)]))
    ratio, pairs, *rest = with_reclamping(carrying("P-1", data), run(0.31))
    assert ratio.u == pytest.approx(1e-4, rel=1e-3)
    assert ratio.conditions["reclamping_n"] == 3
    widened = ratio.conditions["U_reclamped"]
    assert isinstance(widened, float)
    assert widened == pytest.approx(4.53 * math.hypot(1e-4, 2.646e-3), rel=0.01)
    assert "U_reclamped" not in pairs.conditions
    assert all("U_reclamped" not in r.conditions for r in rest)
    other = with_reclamping(carrying("P-2", data), run(0.31))
    assert "U_reclamped" not in other[0].conditions


def error_of(**conditions: Any) -> Result:
    return make_result("error_max_elec_arcmin", 20.0, [standard("noise", 1.0, "arcmin")], conditions)


@pytest.mark.parametrize(("pole_pairs", "judged"), [(2, 9.0), (3, 9.0), (4, 2.0)])
def test_few_pole_pairs_are_judged_with_the_scatter_inside(pole_pairs: int, judged: float) -> None:
    """A limit of the angle is one of every clamping there; the U of this one stays beside it, in words."""
    U, note = judged_uncertainty(error_of(U_reclamped=9.0, reclamping_n=4), pole_pairs)
    assert pytest.approx(judged, rel=1e-3) == U
    assert ("U of this clamping 2 arcmin" in note) == (pole_pairs < 4)


def test_where_the_scatter_is_not_known_the_line_says_so() -> None:
    """Judged for this clamping only; other lines than the angle's error are not touched."""
    U, note = judged_uncertainty(error_of(), 2)
    assert pytest.approx(2.0, rel=1e-3) == U
    assert "not known" in note and "run remount" in note
    assert judged_uncertainty(run(0.3)[0], 2) == (pytest.approx(2e-4, rel=1e-3), "")
