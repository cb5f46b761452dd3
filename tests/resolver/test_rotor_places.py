"""A rotor turned on the spindle to even places tells the axis' own once a turn from the sensor's."""

from __future__ import annotations

import math

import numpy as np
import pytest
from separation_samples import ARCMIN, turned_on_the_spindle, waves

from rig.errors import UsageError
from rig.resolver.axis.rotor_places import (
    AxisOrder,
    applicable,
    axis_orders,
    join_orders,
    normalised_differences,
    radius_factor,
    rotor_places_mech_deg,
    uneven_mech_rad,
)
from rig.resolver.axis.separation import Separation, separate

RNG = np.random.default_rng(4)
SENSOR = waves({1: 20.0, 2: 0.5, 4: 8.0, 5: 0.7, 8: 7.0, 16: 3.0}, RNG)
AXIS = waves({50: 5.0, 100: 2.0, 1: 3.0, 2: 1.5, 4: 0.5, 5: 0.4, 7: 0.2, 8: 0.5}, RNG)


def exact(places: int, off_deg: tuple[float, ...] = (), rounds: int = 1) -> Separation:
    marks = rotor_places_mech_deg(places, rounds)[:-1]
    swept = turned_on_the_spindle(marks, SENSOR, AXIS, off_deg=off_deg)
    return separate(swept, 4, highest=32, rotor_places=places)


@pytest.mark.parametrize("off_deg", [(), (1.0, 0.0, -1.0), (3.0, -3.0, 2.0)])
def test_exact_curves_give_every_order_that_three_places_see(off_deg: tuple[float, ...]) -> None:
    """Once a turn too, to 1e-9 rad, wherever within three degrees of its mark the rotor stood."""
    found = exact(3, off_deg)
    for order in (1, 2, 4, 5, 7, 8):
        at = found.positioner.orders.index(order)
        assert abs(found.positioner.coefficients[at] - AXIS[order] * ARCMIN) < 1e-9
    shown = {row.order for row in axis_orders(found, 4, 3)}
    assert shown == {1, 2, 4, 7, 8}
    assert {3, 6} <= set(found.unobservable)


def test_what_run_out_makes_of_the_sensor_cancels_on_even_places_and_not_on_uneven_ones() -> None:
    """A term e^{j (theta + 2 alpha)} is neither the rotor's nor the axis'."""
    term = 3.0 * ARCMIN
    for marks, left in (((0.0, 240.0, 120.0), False), ((0.0, 209.0, 342.0), True)):
        swept = turned_on_the_spindle(marks, {4: 8.0 + 0j}, {1: 1.0 + 0j})
        for clamping, mark in zip(swept, marks, strict=True):
            clamping.deviation_mech_rad[:] += term * np.cos(clamping.theta_mech_rad + 2.0 * math.radians(mark))
        found = separate(swept, 4, highest=16, rotor_places=3)
        off = abs(found.positioner.coefficients[found.positioner.orders.index(1)] - ARCMIN)
        assert (off > 0.3 * ARCMIN) == left


def test_the_radius_is_that_of_a_complex_error_with_few_degrees_of_freedom() -> None:
    """2 F of 2 and nu degrees of freedom: figures of the method's page, and a trial of it."""
    for dof, factor in ((2, 6.48), (4, 3.84), (6, 3.29), (8, 3.05), (math.inf, 2.486)):
        assert radius_factor(dof) == pytest.approx(factor, abs=0.006)
    rng = np.random.default_rng(1)
    error = np.abs(rng.standard_normal(20_000) + 1j * rng.standard_normal(20_000))
    scatter = np.sqrt(rng.chisquare(4, 20_000) / 4)
    assert np.mean(error < radius_factor(4) * scatter) == pytest.approx(0.9545, abs=0.005)


def test_the_radius_holds_the_axis_where_the_rotor_seats_anew() -> None:
    """Once a turn of the sensor drawn anew at each place, forty sets of three and five places."""
    for places in (3, 5):
        inside = []
        for seed in range(40):
            rng = np.random.default_rng((places, seed))
            swept = []
            for mark in rotor_places_mech_deg(places)[:-1]:
                seat = SENSOR | {1: SENSOR[1] + 2.0 * complex(*rng.standard_normal(2))}
                swept += turned_on_the_spindle((mark,), seat, AXIS, points=128)
            found = separate(swept, 4, highest=16, stepper_orders=(50,), rotor_places=places)
            row = next(r for r in axis_orders(found, 4, places) if r.order == 1)
            inside.append(abs(row.coefficient - AXIS[1] * ARCMIN) < row.radius_mech_rad)
        assert np.mean(inside) >= 0.88


def test_places_are_even_spread_in_time_and_end_with_the_first() -> None:
    """Neighbours in angle are apart in time; a number without a known order is refused."""
    assert rotor_places_mech_deg(3) == (0.0, 240.0, 120.0, 0.0)
    assert rotor_places_mech_deg(4, 2) == (0.0, 180.0, 90.0, 270.0) * 2 + (0.0,)
    assert rotor_places_mech_deg(5) == (0.0, 144.0, 72.0, 288.0, 216.0, 0.0)
    for places, rounds in ((2, 1), (6, 1), (3, 0)):
        with pytest.raises(UsageError, match="no set of even places"):
            rotor_places_mech_deg(places, rounds)


def test_uneven_places_are_measured() -> None:
    """The worst place against the best even ones; a place that is missing is no even set at all."""
    assert uneven_mech_rad(np.radians([10.0, 252.0, 130.0]), 3) == pytest.approx(math.radians(4.0 / 3.0), rel=1e-3)
    assert uneven_mech_rad(np.radians([0.0, 209.0, 342.0]), 3) > math.radians(5.0)
    assert uneven_mech_rad(np.radians([0.0, 119.0, 121.0]), 3) == math.pi


def test_which_orders_a_master_may_show() -> None:
    """Not its neighbours of the pole pairs, not the multiples of the places, none above eight."""
    assert [n for n in range(1, 12) if applicable(n, 4, 3)] == [1, 2, 4, 7, 8]
    assert [n for n in range(1, 12) if applicable(n, 5, 4)] == [1, 2, 3, 5, 7]
    both = {n for p, places in ((4, 5), (5, 4)) for n in range(1, 9) if applicable(n, p, places)}
    assert both == set(range(1, 9))


def test_two_masters_agree_or_not_and_join_by_their_weights() -> None:
    """E_n by both radii; a joint order lies nearer the better one; an order of one alone stays as it is."""
    a = {
        1: AxisOrder(order=1, coefficient=1.0 + 0j, radius_mech_rad=0.3),
        2: AxisOrder(order=2, coefficient=0j, radius_mech_rad=0.1),
    }
    b = {1: AxisOrder(order=1, coefficient=1.5 + 0j, radius_mech_rad=0.4)}
    assert normalised_differences(a, b) == {1: pytest.approx(1.0)}
    joint = join_orders([a, b])
    assert joint[1].coefficient == pytest.approx(1.18)
    assert joint[1].radius_mech_rad == pytest.approx(0.24)
    assert joint[2].coefficient == 0j and joint[2].radius_mech_rad == pytest.approx(0.1)
    assert a[1].stands_out and not a[2].stands_out


def test_two_places_show_no_scatter() -> None:
    """They are a recheck at most."""
    swept = turned_on_the_spindle((0.0, 120.0), SENSOR, AXIS)
    with pytest.raises(UsageError, match="show no scatter"):
        axis_orders(separate(swept, 4, highest=16, rotor_places=3), 4, 3)
