"""Evaluation, combination, propagation, trials and rounding: what they give and what they refuse."""

import math

import pytest

from rig.errors import UsageError
from rig.uncertainty.budget import BudgetLine, combine, largest_first
from rig.uncertainty.conformity import verdict_of
from rig.uncertainty.coverage import coverage_factor, effective_dof, type_a
from rig.uncertainty.rounding import round_for_verdict, round_result


def line(u: float, c: float = 1.0, dof: float = math.inf, name: str = "x") -> BudgetLine:
    return BudgetLine(influence=name, u=u, unit="1", sensitivity=c, dof=dof)


def test_type_a() -> None:
    """Mean, standard uncertainty of the mean, n - 1."""
    assert type_a([1.0, 2.0, 3.0]) == (2.0, pytest.approx(1 / math.sqrt(3)), 2.0)
    for bad in ([1.0], [], [1.0, math.nan]):
        with pytest.raises(UsageError):
            type_a(bad)


def test_combination() -> None:
    """Independent lines add in quadrature, whatever their signs."""
    both = [line(3.0, name="a"), line(2.0, -2.0, name="b")]
    assert combine(both).u == 5.0
    assert combine(both).k == pytest.approx(2.0, abs=1e-5)
    assert [row.influence for row in largest_first(both)] == ["b", "a"]
    for bad in ([], [line(-1.0)], [line(math.nan)]):
        with pytest.raises(UsageError):
            combine(bad)


def test_nothing_uncertain() -> None:
    """A budget of zeros has u = 0 and infinite degrees of freedom."""
    assert combine([line(0.0, dof=3)]).dof == math.inf


def test_effective_dof_refuses() -> None:
    """Degrees of freedom of zero, or not one for each contribution, are refused."""
    for dofs in ([0.0], [1.0, 2.0], [math.nan]):
        with pytest.raises(UsageError):
            effective_dof([1.0], dofs)


def test_coverage_factor_limits() -> None:
    """k falls with the degrees of freedom to 2.00 and is refused without any."""
    ks = [coverage_factor(nu) for nu in (1, 1.5, 2, 5, 50, 1e6, math.inf)]
    assert ks == sorted(ks, reverse=True)
    assert ks[-1] == pytest.approx(2.0, abs=1e-5)
    for dof, p in ((0.0, 0.95), (math.nan, 0.95), (5.0, 1.0), (5.0, 1.5), (5.0, 0.0), (5.0, -0.5)):
        with pytest.raises(UsageError):
            coverage_factor(dof, p)


@pytest.mark.parametrize(
    ("estimate", "U", "printed"),
    [
        (1.0, 0.0996, ("1.00", "0.10")),
        (1.0, 9.96, ("1", "10")),
        (12345.6, 1049.0, ("12300", "1100")),
        (12345.6, 1024.0, ("12300", "1000")),
        (-0.0001, 0.27, ("0.00", "0.27")),
        (-12.345, 0.27, ("-12.35", "0.27")),
        (2.5, 0.0, ("2.5", "0")),
        (1e-9, 2.34e-12, ("0.0000000010000", "0.0000000000023")),
        (28050.0, 28050.0, ("28000", "28000")),
    ],
)
def test_rounding(estimate: float, U: float, printed: tuple[str, str]) -> None:
    """Two digits of U, up where down would shrink it by over 2.5 %, the estimate to the same decimal."""
    assert round_result(estimate, U) == printed


def test_rounding_refuses() -> None:
    """NaN, infinity and negative uncertainties are never printed."""
    for pair in ((math.nan, 1.0), (1.0, math.inf), (1.0, -1.0)):
        with pytest.raises(UsageError):
            round_result(*pair)


def test_print_never_contradicts_the_verdict() -> None:
    """Where two digits would read as another verdict, more digits are printed."""

    def rule(y: float, U: float) -> object:
        return verdict_of(y, U, None, 10.0, 1.0)

    assert round_result(9.7004, 0.30) == ("9.70", "0.30")
    texts = round_for_verdict(9.7004, 0.30, rule)
    assert rule(float(texts[0]), float(texts[1])) is rule(9.7004, 0.30)
    assert texts[0] == "9.7004"
