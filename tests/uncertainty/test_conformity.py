"""Verdicts: zones, boundaries, capability, qualifiers, risks."""

import math

import pytest

from rig.errors import UsageError
from rig.uncertainty.conformity import (
    Verdict,
    acceptance_zone,
    verdict_of,
    worst_specific_risk,
)

P, CP, CF, F = Verdict.PASS, Verdict.CONDITIONAL_PASS, Verdict.CONDITIONAL_FAIL, Verdict.FAIL
NC, NL, NT = Verdict.NOT_CAPABLE, Verdict.NO_LIMIT, Verdict.NOT_TESTED


def after(x: float) -> float:
    return math.nextafter(x, math.inf)


def before(x: float) -> float:
    return math.nextafter(x, -math.inf)


@pytest.mark.parametrize("r", [1.0, 0.83, 1.5])
@pytest.mark.parametrize(("limit", "U"), [(10.0, 0.3), (10.1, 0.3), (0.3, 0.1), (1e-6, 3e-8)])
def test_boundaries_of_an_upper_limit(limit: float, U: float, r: float) -> None:
    """Exactly at T - w, T and T + w the better side counts; one unit in the last place beyond, the worse."""
    w = r * U
    for at, inside, outside in ((limit - w, P, CP), (limit, CP, CF), (limit + w, CF, F)):
        assert verdict_of(at, U, None, limit, r) is inside
        assert verdict_of(after(at), U, None, limit, r) is outside


@pytest.mark.parametrize(("limit", "U"), [(10.0, 0.3), (10.1, 0.3), (0.3, 0.1)])
def test_boundaries_of_a_lower_limit(limit: float, U: float) -> None:
    """A lower limit is the mirror of an upper one."""
    for at, inside, outside in ((limit + U, P, CP), (limit, CP, CF), (limit - U, CF, F)):
        assert verdict_of(at, U, limit, None, 1.0) is inside
        assert verdict_of(before(at), U, limit, None, 1.0) is outside


def test_both_limits_take_the_worse_side() -> None:
    """With two limits each side is looked at and the worse counts."""
    assert [verdict_of(y, 0.5, 0.0, 10.0, 1.0) for y in (5, 0.4, 9.6, -0.4, 10.4, -0.6, 11)] == [
        P,
        CP,
        CP,
        CF,
        CF,
        F,
        F,
    ]


def test_simple_acceptance() -> None:
    """Without a guard band there is pass and fail alone."""
    assert [verdict_of(y, 5.0, None, 1.0, 0.0) for y in (0.999, 1.0, after(1.0))] == [P, P, F]


def test_no_room_between_the_limits() -> None:
    """2 w at or over the tolerance: not capable in place of pass and conditional pass, a fail stays a fail."""
    assert [verdict_of(y, 1.0, 4.0, 6.0, 1.0) for y in (5.0, 4.0, 6.0, 3.5, 6.5, 2.9, 7.1)] == [
        NC,
        NC,
        NC,
        CF,
        CF,
        F,
        F,
    ]
    assert verdict_of(5.0, before(1.0), 4.0, 6.0, 1.0) is P


def test_open_coil_fails_however_wide() -> None:
    """A value beyond limit and guard band fails also where nothing could pass."""
    assert verdict_of(math.inf, 1e6, 8.0, 10.0, 1.0) is F
    assert verdict_of(1e9, 100.0, 8.0, 10.0, 1.0) is F


def test_nonnegative_upper_limit() -> None:
    """A quantity that can't be negative has no acceptance zone when the guard band reaches the limit."""
    assert verdict_of(0.0, 2.0, None, 2.0, 1.0, nonnegative=True) is NC
    assert verdict_of(0.0, before(2.0), None, 2.0, 1.0, nonnegative=True) is P
    assert verdict_of(-1.0, 2.0, None, 2.0, 1.0) is P
    assert verdict_of(4.5, 2.0, None, 2.0, 1.0, nonnegative=True) is F


def test_lower_limit_of_zero_means_nothing() -> None:
    """On a nonnegative quantity a lower limit of zero is left aside, also for the room between the limits."""
    assert verdict_of(0.1, 0.6, 0.0, 1.0, 1.0, nonnegative=True) is P
    assert verdict_of(0.1, 0.6, 0.0, 1.0, 1.0) is NC
    assert verdict_of(0.1, 0.6, 0.0, None, 1.0, nonnegative=True) is NL


def test_no_limit_and_not_tested() -> None:
    """No limit is never a pass; no estimate is not tested; no uncertainty supports no pass."""
    assert verdict_of(1.0, 0.1, None, None, 1.0) is NL
    assert verdict_of(None, None, 1.0, None, 1.0) is NT
    assert verdict_of(1.0, None, 0.5, None, 1.0) is NC


@pytest.mark.parametrize(
    ("estimate", "lower", "upper", "qualifier", "verdict"),
    [
        (100e6, 20e6, None, ">", P),
        (20e6, 20e6, None, ">", P),
        (10e6, 20e6, None, ">", NC),
        (100.0, None, 20.0, ">", F),
        (10.0, None, 20.0, ">", NC),
        (10.0, None, 20.0, "<", P),
        (10.0, 20.0, None, "<", F),
        (30.0, 20.0, None, "<", NC),
        (100.0, 8.0, 10.0, ">", F),
        (9.0, 8.0, 10.0, ">", NC),
    ],
)
def test_qualifiers(
    estimate: float, lower: float | None, upper: float | None, qualifier: str, verdict: Verdict
) -> None:
    """A value known only to lie beyond a bound is judged as far as that goes, and no further."""
    assert verdict_of(estimate, None, lower, upper, 1.0, qualifier) is verdict


def test_qualifier_with_uncertainty() -> None:
    """The bound's own uncertainty keeps its guard band."""
    assert verdict_of(21e6, 2e6, 20e6, None, 1.0, ">") is CP
    assert verdict_of(23e6, 2e6, 20e6, None, 1.0, ">") is P


@pytest.mark.parametrize(
    "arguments",
    [
        (math.nan, 1.0, 0.0, 1.0, 1.0),
        (1.0, math.nan, 0.0, 1.0, 1.0),
        (1.0, -1.0, 0.0, 1.0, 1.0),
        (1.0, 1.0, 2.0, 1.0, 1.0),
        (1.0, 1.0, 0.0, 1.0, -1.0),
        (1.0, 1.0, 0.0, 1.0, 1.0, "~"),
    ],
)
def test_nonsense_is_refused(arguments: tuple[float, ...]) -> None:
    """NaN, a negative U or guard band, crossed limits and unknown qualifiers never become a verdict."""
    with pytest.raises(UsageError):
        verdict_of(*arguments)  # type: ignore[arg-type]


def test_risks_of_the_guard_bands() -> None:
    """Worst risk of a wrong pass: 50 % simple, 2.28 % at w = U, 4.85 % at 0.83 U, 0.135 % at 1.5 U (k = 2)."""
    wanted = {0.0: 0.5, 1.0: 0.02275, 0.83: 0.0485, 1.5: 0.00135}
    for r, risk in wanted.items():
        assert worst_specific_risk(r, 2.0) == pytest.approx(risk, rel=2e-3)
    assert worst_specific_risk(1.0, 2.87, 4) == pytest.approx(0.0227, abs=2e-4)


def test_acceptance_zone() -> None:
    """There is a zone exactly while some value could pass."""
    assert acceptance_zone(0.0, 1.0, 1.0)
    assert not acceptance_zone(0.5, 0.0, 1.0)
    assert acceptance_zone(5.0, None, 1.0)
