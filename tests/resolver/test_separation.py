"""The sensor's error is told apart from the positioner's by clamping one part at several angles."""

from __future__ import annotations

import math

import numpy as np
import pytest
from separation_samples import ARCMIN, Setup, made

from rig.errors import UsageError
from rig.resolver.axis.clampings import choose_offsets_mech_rad, read_offset, variance_factors
from rig.resolver.axis.positioner import compare_positioners, positioner_orders, reseat_limit_mech_rad
from rig.resolver.axis.separation import Separation, separate

FINE = np.linspace(0, 2 * math.pi, 1440, endpoint=False)


def off_rms(setup: Setup, found: Separation) -> float:
    return float(
        np.sqrt(np.mean(setup.sensor_error_elec_arcmin(found.sensor.evaluate(FINE, with_constant=False), FINE) ** 2))
    )


@pytest.mark.parametrize(("clampings", "allowed"), [(2, 0.30), (3, 0.11), (5, 0.04)])
def test_the_sensor_comes_out_however_bad_the_axis(clampings: int, allowed: float) -> None:
    """An axis of 5' (mechanical) cyclic error leaves a tenth of an arcminute (electrical) in the sensor's curve."""
    for seed in (1, 2):
        setup = made(seed, clampings)
        found = separate(setup.clampings, 4)
        assert off_rms(setup, found) < allowed
        for order in (2, 3, 4, 8, 50):
            at = found.positioner.orders.index(order)
            assert abs(found.positioner.coefficients[at] / ARCMIN - setup.positioner[order]) < 0.12


def test_halves_of_a_turn_are_useless_for_a_resolver() -> None:
    """Two clampings at 180 deg can't divide even orders; they are named, and counted as not separated."""
    setup = made(3, 2, offsets_deg=(0, 180), clamp_error_deg=0.0)
    found = separate(setup.clampings, 4)
    assert set(range(2, 33, 2)) <= set(found.unobservable)
    assert math.isinf(found.factors[4])
    assert off_rms(setup, found) > 1.0
    assert 4 not in positioner_orders(found).orders


def test_thirds_of_a_turn_lose_the_third_order_of_the_pole_pairs() -> None:
    """Three equal clampings can't see order 12 of four pole pairs; three irregular ones can."""
    equal = separate(made(4, 3, offsets_deg=(0, 120, 240), clamp_error_deg=0.0).clampings, 4)
    assert {3, 6, 9, 12, 15} <= set(equal.unobservable)
    assert all(n % 3 == 0 for n in equal.unobservable)
    assert 12 not in separate(made(4, 3).clampings, 4).unobservable


def test_variance_of_an_order_is_that_of_the_formula() -> None:
    """The variance of a separated order is 1/(N (1 - rho^2)) of one sweep's."""
    found = separate(made(5, 5).clampings, 4)
    expected = variance_factors(found.offsets_mech_rad, (4, 8, 16))
    for order, factor in expected.items():
        assert found.factors[order] == pytest.approx(factor / 5, rel=0.03)
    assert variance_factors(np.radians([0, 120, 240]), [3, 4]) == {3: math.inf, 4: pytest.approx(1.0)}


def test_stated_uncertainty_of_an_order_covers() -> None:
    """Over 40 sets of clampings the stated uncertainty of an order holds the truth as often as it says."""
    inside = []
    for seed in range(40):
        setup = made(seed, 3, points=160, clamp_error_deg=0.5)
        found = separate(setup.clampings, 4, stepper_orders=(50,))
        for order in (4, 8):
            true = setup.positioner[order]
            got = found.positioner.coefficients[found.positioner.orders.index(order)] / ARCMIN
            u = found.positioner.u_amplitude(order) / ARCMIN
            inside += [abs((got - true).real) < 2 * u, abs((got - true).imag) < 2 * u]
    assert 0.88 <= np.mean(inside) <= 1.0


def test_a_seat_error_does_not_become_the_positioner() -> None:
    """A part that seats anew each time puts that into the uncertainty, and orders it could have made are not kept."""
    quiet, loose = (separate(made(6, 3, reseat_elec_arcmin=a).clampings, 4) for a in (0.0, 6.0))
    assert quiet.reseat_mech_rad is not None
    assert loose.reseat_mech_rad is not None
    assert loose.reseat_mech_rad[4] > 10 * quiet.reseat_mech_rad[4]
    assert loose.positioner.u_amplitude(4) > 10 * quiet.positioner.u_amplitude(4)
    assert 4 in positioner_orders(quiet).orders
    assert not {4, 8} & set(positioner_orders(loose).orders)
    assert 50 in positioner_orders(loose).orders
    limit = reseat_limit_mech_rad(quiet)
    assert quiet.reseat_mech_rad[2] < limit
    assert separate(made(6, 2).clampings, 4).reseat_mech_rad is None


def test_stated_uncertainty_covers_a_part_that_seats_anew_each_time() -> None:
    """Known from five re-seatings only, the uncertainty is widened until it still holds the truth as it says."""
    inside = []
    for seed in range(60):
        setup = made(seed, 5, points=128, reseat_elec_arcmin=3.0)
        found = separate(setup.clampings, 4, highest=20)
        for order in (4, 8):
            off = found.positioner.coefficients[found.positioner.orders.index(order)] / ARCMIN - setup.positioner[order]
            u = found.positioner.u_amplitude(order) / ARCMIN
            inside += [abs(off.real) < 2 * u, abs(off.imag) < 2 * u]
    assert 0.88 <= np.mean(inside) <= 0.99


def test_the_offset_is_read_from_the_sensor() -> None:
    """An offset is taken from the sensor to seconds of arc, the operator's figure only chooses the cycle."""
    setup = made(7, 3, clamp_error_deg=3.0)
    found = separate(setup.clampings, 4)
    asked = choose_offsets_mech_rad(3, 4)
    assert np.max(np.abs(np.degrees(found.offsets_mech_rad - asked))) > 0.2
    assert off_rms(setup, found) < 0.2
    with pytest.raises(UsageError, match=r"25\.0 deg .* away from the one asked for"):
        read_offset(math.radians(25 + 90), math.radians(0), 4)


def test_a_second_part_finds_the_same_axis() -> None:
    """A part of other pole pairs under the same axis agrees; an axis that has changed does not."""
    first = made(8, 3)
    other = made(9, 3, pole_pairs=2, sensor={2: 1.0, 4: 6.0, 8: 2.0}, positioner=first.positioner)
    a, b = separate(first.clampings, 4, highest=16), separate(other.clampings, 2, highest=16)
    agreed = compare_positioners(a, b)
    assert agreed.agree
    assert agreed.chi2 < 3 * agreed.dof
    changed = dict(first.positioner) | {8: 3.0 + 0j}
    c = separate(made(9, 3, pole_pairs=2, sensor={2: 1.0, 4: 6.0}, positioner=changed).clampings, 2, highest=16)
    assert 8 in compare_positioners(a, c).disagreeing


def test_what_can_not_be_separated_is_refused() -> None:
    """One clamping, four clampings for which no set is known, and too coarse a grid are refused with the next step."""
    setup = made(1, 3)
    with pytest.raises(UsageError, match="at least twice"):
        separate(setup.clampings[:1], 4)
    with pytest.raises(UsageError, match="2, 3 or 5"):
        choose_offsets_mech_rad(4, 4)
    for points in (64, 66):  # order 32 has a sine and a cosine, beside a mean and two to spare
        with pytest.raises(UsageError, match=f"{points} points a turn.*67 points"):
            separate(made(1, 3, points=points).clampings, 4)
    assert separate(made(1, 3, points=67).clampings, 4).sensor.orders[-1] == 32


def test_an_index_that_repeats_exactly_widens_no_order_of_the_positioner() -> None:
    """Unless its scatter is stated, the covariance is the separation's; order n is widened by n times the scatter."""
    found = separate(made(8, 3).clampings, 4)
    exact, scattered = positioner_orders(found), positioner_orders(found, 1e-4)
    at = [found.positioner.orders.index(n) for n in exact.orders]
    for i, (k, n) in enumerate(zip(at, exact.orders, strict=True)):
        size = abs(exact.coefficients[i])
        for part in (1, 2):
            alone = found.positioner.covariance[2 * k + part, 2 * k + part]
            assert exact.covariance[2 * i + part, 2 * i + part] == pytest.approx(alone, rel=1e-12)
            assert scattered.covariance[2 * i + part, 2 * i + part] == pytest.approx(alone + (size * n * 1e-4) ** 2)
    assert exact.orders
    rows = [0, *(row for k in at for row in (2 * k + 1, 2 * k + 2))]
    assert np.array_equal(exact.covariance, found.positioner.covariance[np.ix_(rows, rows)])
