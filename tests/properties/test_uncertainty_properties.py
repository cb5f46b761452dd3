"""Properties of the uncertainty engine that hold for any input."""

import math

from hypothesis import given
from hypothesis import strategies as st

from rig.uncertainty.budget import BudgetLine, combine
from rig.uncertainty.conformity import Verdict, verdict_of
from rig.uncertainty.coverage import coverage_factor, effective_dof
from rig.uncertainty.rounding import round_for_verdict, round_result

number = st.floats(-1e6, 1e6, allow_nan=False)
positive = st.floats(1e-9, 1e6)
ORDER = [Verdict.PASS, Verdict.CONDITIONAL_PASS, Verdict.CONDITIONAL_FAIL, Verdict.FAIL]


@given(number, number, positive, number, st.floats(0, 3))
def test_verdicts_are_monotonic(a: float, b: float, U: float, limit: float, r: float) -> None:
    """Nearer to the inside is never judged worse."""
    low, high = sorted((a, b))
    assert ORDER.index(verdict_of(low, U, None, limit, r)) <= ORDER.index(verdict_of(high, U, None, limit, r))
    assert ORDER.index(verdict_of(high, U, limit, None, r)) <= ORDER.index(verdict_of(low, U, limit, None, r))


@given(number, positive, number, st.floats(0, 3))
def test_verdicts_mirror(y: float, U: float, limit: float, r: float) -> None:
    """A lower limit of the negative is an upper limit."""
    assert verdict_of(y, U, None, limit, r) is verdict_of(-y, U, -limit, None, r)


@given(number, positive, number, positive)
def test_fail_survives_any_width(y: float, U: float, lower: float, width: float) -> None:
    """Beyond limit + guard band is a fail however wide U is; a pass means a capable measurement."""
    verdict = verdict_of(y, U, lower, lower + width, 1.0)
    if y > lower + width + U or y < lower - U:
        assert verdict is Verdict.FAIL
    if verdict in (Verdict.PASS, Verdict.CONDITIONAL_PASS):
        assert (lower + width) - lower > 2 * U


@given(number, st.floats(1e-9, 1e6), number, st.sampled_from([0.0, 0.83, 1.0, 1.5]))
def test_print_agrees_with_verdict(y: float, U: float, limit: float, r: float) -> None:
    """The printed pair leads to the verdict that is printed beside it."""

    def rule(estimate: float, U: float) -> Verdict:
        return verdict_of(estimate, U, None, limit, r)

    texts = round_for_verdict(y, U, rule)
    assert rule(float(texts[0]), float(texts[1])) is rule(y, U)


@given(number, positive)
def test_rounding_is_close_and_cautious(y: float, U: float) -> None:
    """The printed U is never more than 2.5 % small or 10 % large; the estimate moves by half its last digit at most."""
    estimate, expanded = round_result(y, U)
    assert 0.975 * U * (1 - 1e-12) <= float(expanded) <= 1.1 * U
    places = len(expanded.partition(".")[2])
    assert abs(float(estimate) - y) <= max(0.5 * 10.0**-places, 0.051 * float(expanded)) * (1 + 1e-9) + 1e-9 * abs(y)
    assert "e" not in (estimate + expanded).lower()
    if "." in expanded:
        assert len(estimate.partition(".")[2]) == places


@given(st.lists(st.tuples(st.floats(0.01, 100), st.floats(1, 1000)), min_size=1, max_size=8))
def test_effective_dof_lies_between(parts: list[tuple[float, float]]) -> None:
    """Between the smallest degrees of freedom and their sum."""
    nu = [dof for _, dof in parts]
    found = effective_dof([u for u, _ in parts], nu)
    assert min(nu) * (1 - 1e-9) <= found <= sum(nu) * (1 + 1e-9)


@given(st.lists(st.floats(0, 100), min_size=1, max_size=6), st.floats(0.1, 10))
def test_combination_scales(us: list[float], factor: float) -> None:
    """A change of unit changes u by the same factor and k not at all."""

    def lines(scale: float) -> list[BudgetLine]:
        return [BudgetLine(influence="x", u=u * scale, unit="1", sensitivity=1.0, dof=7) for u in us]

    one, other = combine(lines(1.0)), combine(lines(factor))
    assert math.isclose(other.u, factor * one.u, rel_tol=1e-9, abs_tol=1e-12)
    assert math.isclose(other.k, one.k, rel_tol=1e-6) or one.u < 1e-9


@given(st.floats(0.5, 1e4), st.floats(0.5, 0.999))
def test_coverage_factor_is_monotonic(dof: float, p: float) -> None:
    """More probability needs a larger k, more degrees of freedom a smaller one."""
    assert coverage_factor(dof, p) <= coverage_factor(dof, p + 0.0005)
    assert coverage_factor(dof * 1.1, p) <= coverage_factor(dof, p) * (1 + 1e-9)
