"""Evaluation, combination, propagation, trials and rounding: what they give and what they refuse."""

import math

import numpy as np
import pytest

from rig.errors import UsageError
from rig.uncertainty.budget import BudgetLine, combine, largest_first
from rig.uncertainty.conformity import judge
from rig.uncertainty.evaluate import (
    arcsine,
    dof_from_reliability,
    nested,
    rectangular,
    relative_u_of_variance,
    resolution,
    spec_u,
    straight_line,
    triangular,
    type_a,
)
from rig.uncertainty.monte_carlo import (
    arcsine_draw,
    linear_agrees,
    normal,
    shortest_interval,
    student,
    summary,
    symmetric_interval,
    trials,
    triangular_draw,
)
from rig.uncertainty.propagate import coverage_factor, effective_dof, linear, sweep
from rig.uncertainty.rounding import round_for_verdict, round_result


def line(u: float, c: float = 1.0, dof: float = math.inf, name: str = "x") -> BudgetLine:
    return BudgetLine(influence=name, u=u, unit="1", sensitivity=c, dof=dof)


def test_type_a() -> None:
    """Mean, standard uncertainty of the mean, n - 1."""
    assert type_a([1.0, 2.0, 3.0]) == (2.0, pytest.approx(1 / math.sqrt(3)), 2.0)
    for bad in ([1.0], [], [1.0, math.nan]):
        with pytest.raises(UsageError):
            type_a(bad)


def test_type_b() -> None:
    """Half-widths to standard uncertainties."""
    assert rectangular(3.0) == pytest.approx(math.sqrt(3))
    assert triangular(6.0) == pytest.approx(math.sqrt(6))
    assert arcsine(2.0) == pytest.approx(math.sqrt(2))
    assert resolution(12.0) == pytest.approx(math.sqrt(12))
    assert spec_u(-10.0, 100.0, 0.01, 0.002, 2.0) == pytest.approx((0.001 + 0.002) / 2)
    with pytest.raises(UsageError):
        rectangular(-1.0)
    with pytest.raises(UsageError):
        spec_u(1.0, 1.0, 1.0, 1.0, 0.0)


def test_reliability_of_an_uncertainty() -> None:
    """GUM G.4.2: u known to 25 % is worth 8 degrees of freedom."""
    assert dof_from_reliability(0.25) == 8.0
    assert relative_u_of_variance(8.0) == 0.25
    assert dof_from_reliability(0.0) == math.inf


def test_combination() -> None:
    """Independent lines add in quadrature, perfectly correlated ones linearly, with their signs."""
    both = [line(3.0, name="a"), line(2.0, -2.0, name="b")]
    assert combine(both).u == 5.0
    assert combine(both).k == pytest.approx(2.0, abs=1e-5)
    tied = np.ones((2, 2))
    assert combine(both, tied).u == pytest.approx(1.0)
    assert [row.influence for row in largest_first(both)] == ["b", "a"]
    for bad in ([], [line(-1.0)], [line(math.nan)]):
        with pytest.raises(UsageError):
            combine(bad)


def test_nothing_uncertain() -> None:
    """A budget of zeros has u = 0 and infinite degrees of freedom."""
    assert combine([line(0.0, dof=3)]).dof == math.inf


def test_effective_dof_refuses() -> None:
    """Degrees of freedom of zero, and matrices that are no correlation, are refused."""
    with pytest.raises(UsageError):
        effective_dof([1.0], [0.0])
    for bad in (np.eye(3), np.array([[1.0, 2.0], [2.0, 1.0]]), np.array([[1.0, 0.5], [0.2, 1.0]])):
        with pytest.raises(UsageError):
            effective_dof([1.0, 1.0], [1.0, 1.0], bad)


def test_joined_group_takes_the_smallest_dof() -> None:
    """Correlated inputs of different degrees of freedom count as one with the smallest."""
    r = np.array([[1.0, 0.5, 0.0], [0.5, 1.0, 0.0], [0.0, 0.0, 1.0]])
    assert effective_dof([1.0, 1.0, 0.0], [3.0, 10.0, 5.0], r) == pytest.approx(3.0)


def test_coverage_factor_limits() -> None:
    """k falls with the degrees of freedom to 2.00 and is refused without any."""
    ks = [coverage_factor(nu) for nu in (1, 1.5, 2, 5, 50, 1e6, math.inf)]
    assert ks == sorted(ks, reverse=True)
    assert ks[-1] == pytest.approx(2.0, abs=1e-5)
    for dof, p in ((0.0, 0.95), (math.nan, 0.95), (5.0, 1.0)):
        with pytest.raises(UsageError):
            coverage_factor(dof, p)


def test_angle_across_the_wrap() -> None:
    """An angle at 180 deg has the same uncertainty as one at 0 deg when the period is given."""

    def angle(v: np.ndarray) -> float:
        return float(np.arctan2(v[1], v[0]))

    there = linear(angle, [-1.0, 0.0], np.eye(2) * 1e-4, period=2 * math.pi)
    here = linear(angle, [1.0, 0.0], np.eye(2) * 1e-4, period=2 * math.pi)
    assert there.u[0] == pytest.approx(here.u[0], rel=1e-9) == pytest.approx(0.01, rel=1e-5)
    assert here.correlation() == pytest.approx(np.ones((1, 1)))


def test_linear_refuses_a_wrong_covariance() -> None:
    """A covariance must fit its inputs."""
    with pytest.raises(UsageError):
        linear(lambda v: v[0], [1.0, 2.0], np.eye(3))


def angles(points: np.ndarray, shared: np.ndarray) -> np.ndarray:
    return np.arctan2((points[:, 0] - shared[0]) * (1 + shared[2]), points[:, 1] - shared[1])


def test_sweep_keeps_the_shared_part() -> None:
    """The mean loses the points' noise but keeps gain and offset, and agrees with one big Jacobian."""
    theta = np.linspace(0, 2 * np.pi, 720, endpoint=False)[:40]
    points = np.column_stack([np.sin(theta), np.cos(theta)])
    own, both = np.eye(2) * 1e-6, np.diag([1e-6, 4e-6, 1e-6])
    found = sweep(angles, points, own, np.zeros(3), both, period=2 * math.pi)

    def stacked(x: np.ndarray) -> np.ndarray:
        return angles(x[:80].reshape(40, 2), x[80:])

    big = np.zeros((83, 83))
    big[:80, :80] = np.eye(80) * 1e-6
    big[80:, 80:] = both
    whole = linear(stacked, np.concatenate([points.ravel(), np.zeros(3)]), big, period=2 * math.pi)
    assert found.covariance() == pytest.approx(whole.covariance, rel=1e-6, abs=1e-15)
    mean, u = found.mean()
    assert mean == pytest.approx(np.mean(theta))
    assert u == pytest.approx(math.sqrt(np.mean(whole.covariance)), rel=1e-6)
    assert u > 20 * float(np.sqrt(np.mean(found.variance) / 40 / 40))


def test_trials_and_intervals() -> None:
    """Trials give back a normal's figures; the shortest interval of a lopsided distribution is shorter and lower."""
    rng = np.random.default_rng(7)
    found = summary(trials(lambda x: x, [normal(5.0, 2.0)], rng, 200_000))
    assert (found.mean, found.u) == (pytest.approx(5.0, abs=0.02), pytest.approx(2.0, abs=0.02))
    assert (found.low, found.high) == (pytest.approx(1.0, abs=0.1), pytest.approx(9.0, abs=0.1))
    lopsided = rng.exponential(1.0, 200_000)
    short, equal = shortest_interval(lopsided), symmetric_interval(lopsided)
    assert short[1] - short[0] < equal[1] - equal[0]
    assert short[0] == pytest.approx(0.0, abs=1e-3)


def test_draws() -> None:
    """Each distribution has its own standard deviation."""
    rng = np.random.default_rng(8)
    assert np.std(triangular_draw(0, 1)(rng, 200_000)) == pytest.approx(1 / math.sqrt(6), rel=0.01)
    assert np.std(arcsine_draw(0, 1)(rng, 200_000)) == pytest.approx(1 / math.sqrt(2), rel=0.01)
    assert np.std(student(0, 1, 10)(rng, 200_000)) == pytest.approx(math.sqrt(10 / 8), rel=0.02)
    assert np.std(student(0, 1, math.inf)(rng, 200_000)) == pytest.approx(1.0, rel=0.02)


def test_trials_refuse_too_few() -> None:
    """A handful of trials is refused, and so is an interval that they can't show."""
    with pytest.raises(UsageError):
        trials(lambda x: x, [normal(0, 1)], np.random.default_rng(0), 10)
    with pytest.raises(UsageError):
        shortest_interval(np.array([1.0, 2.0]), 0.9999)


def test_same_seed_same_figures() -> None:
    """Trials are repeatable from their seed."""
    first, second = (trials(lambda x: x, [normal(0, 1)], np.random.default_rng(3), 1000) for _ in range(2))
    assert np.array_equal(first, second)


def test_validation_of_the_linear_law() -> None:
    """JCGM 101 8: the law is accepted where the interval's ends agree within half a unit of u's last digit."""
    assert linear_agrees(0.0, 1.0, 2.0, -2.04, 1.96)
    assert not linear_agrees(0.0, 1.0, 2.0, -2.06, 1.96)
    assert linear_agrees(1.0, 0.0, 2.0, 1.0, 1.0)


def test_line_and_groups_refuse() -> None:
    """A line of two points and groups without their deviations are refused."""
    with pytest.raises(UsageError):
        straight_line(np.array([1.0, 2.0]), np.array([1.0, 2.0]))
    with pytest.raises(UsageError):
        nested([1.0, 2.0], [0.1], 5)


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
        return judge(y, U, None, 10.0, 1.0)

    assert round_result(9.7004, 0.30) == ("9.70", "0.30")
    texts = round_for_verdict(9.7004, 0.30, rule)
    assert rule(float(texts[0]), float(texts[1])) is rule(9.7004, 0.30)
    assert texts[0] == "9.7004"
