"""Angle, pole pairs, error curve, orders: recovered from signals of known truth."""

import numpy as np
import pytest

from rig.errors import UsageError
from rig.resolver.turn.angle import electrical_angle, pole_pairs, unwrap, wrap
from rig.resolver.turn.error_curve import closure, combine_passes, deviation
from rig.resolver.turn.grids import good_sweep_points, grid_folding
from rig.resolver.turn.orders import design, fit_orders, residual_test


def centred_error(theta_elec_rad, theta_mech_rad, pole_pairs, direction):  # type: ignore[no-untyped-def]
    """(n,) error in electrical rad, its mean over the points taken off."""
    curve, _ = deviation(theta_elec_rad, theta_mech_rad, pole_pairs, direction)
    return curve - np.mean(curve)


TURN = 2 * np.pi
GRID = np.arange(320) * TURN / 320


def test_angle_range() -> None:
    """The angle lies in (-pi, pi]: exactly half a turn is +pi however the zero is signed."""
    assert electrical_angle(np.array([-0.0, 0.0]), np.array([-1.0, -1.0])) == pytest.approx([np.pi, np.pi])
    assert wrap(np.array([-np.pi, np.pi, 3 * np.pi, -7.0])) == pytest.approx([np.pi, np.pi, np.pi, TURN - 7])
    assert unwrap(wrap(4 * GRID)) == pytest.approx(4 * GRID)


@pytest.mark.parametrize("p", [1, 2, 3, 4, 5, 8])
@pytest.mark.parametrize("direction", [1, -1])
def test_pole_pairs_and_direction(p: int, direction: int) -> None:
    """Pole pairs and direction are found on a fine grid and on seven irregular points."""
    for mech in (GRID, np.radians([0, 1.8, 7.2, 23.4, 61.2, 142.2, 270])):
        noise = np.random.default_rng(p).normal(0, np.radians(2), mech.size)
        found = pole_pairs(wrap(direction * p * mech + 1.0 + noise), mech)
        assert (found.value, found.direction, found.ambiguous) == (p, direction, False)


def even(points: int) -> np.ndarray:
    """Even positions of a whole turn, mechanical rad."""
    return np.arange(points) * TURN / points


def spots(p: int) -> np.ndarray:
    """The quick screen's eight spots of one electrical cycle, on whole steps of a 3200-step axis, mechanical rad."""
    return np.array([round(i * 3200 / p / 8) for i in range(8)]) * TURN / 3200


@pytest.mark.parametrize("p", range(1, 9))
@pytest.mark.parametrize("direction", [1, -1])
def test_no_packaged_grid_takes_an_alias_for_the_pole_pairs(p: int, direction: int) -> None:
    """With the part file's pole pairs: right on the quick screen's spots, on all sweeps and on hand grids of 12 points
    up; without: right, or said to be ambiguous with the truth among the candidates."""
    rng = np.random.default_rng(p)
    grids = [spots(p), *(even(n) for n in (320, 640, 800)), *(even(n) for n in (12, 16, 18, 20, 24, 30, 36, 48, 72))]
    for mech in grids:
        elec = wrap(direction * p * mech + 1.0 + np.radians(3) * np.cos(2 * p * mech) + rng.normal(0, 0.01, mech.size))
        found = pole_pairs(elec, mech, nominal=p)
        assert found.ambiguous is (2 * p == mech.size and mech is not grids[0])  # p and -p are then one to the points
        assert found.ambiguous or (found.value, found.direction) == (p, direction)
        alone = pole_pairs(elec, mech)
        assert alone.ambiguous or (alone.value, alone.direction) == (p, direction)
        assert direction * p in alone.candidates()


def test_points_that_see_only_aliases_say_so() -> None:
    """Twenty even points can't tell +4 from -16, eight spots of a cycle 2 from -14, and both from another part file."""
    assert pole_pairs(wrap(4 * even(20)), even(20)).ambiguous
    assert pole_pairs(wrap(2 * spots(2)), spots(2)).candidates() == (2, -14)
    assert not pole_pairs(wrap(4 * GRID), GRID).ambiguous
    assert not pole_pairs(wrap(4 * even(20)), even(20), nominal=4).ambiguous
    other = pole_pairs(wrap(3 * spots(2)), spots(2), nominal=2)
    assert other.ambiguous and other.candidates() == (3, -13)


def test_wrong_axis_scale_shows_as_a_fraction() -> None:
    """An axis that turns 2 % too little shows as pole pairs that aren't whole."""
    assert pole_pairs(wrap(4 * 0.98 * GRID), GRID).per_turn == pytest.approx(3.92, abs=1e-3)
    assert pole_pairs(wrap(-4 * GRID), GRID).per_turn == pytest.approx(-4.0, abs=1e-9)


def test_error_curve_removes_the_offset_across_the_wrap() -> None:
    """The mean is taken off, also where the offset lies at half a turn, for both directions."""
    wanted = 0.01 * np.cos(8 * GRID + 0.4)
    for direction in (1, -1):
        curve = centred_error(wrap(direction * 4 * GRID + np.pi + wanted), GRID, 4, direction)
        assert curve == pytest.approx(wanted, abs=1e-12)


def test_two_passes_with_drift() -> None:
    """Hysteresis and drift come back together although the clockwise pass starts from the end."""
    wanted = 0.005 * np.cos(8 * GRID)
    t_ccw = np.arange(320) * 0.3
    t_cw = 100.0 + t_ccw[::-1]
    h, s = 2.3e-3, 1.7e-5
    ccw, cw = wanted + h / 2 + s * t_ccw, wanted - h / 2 + s * t_cw
    noise = np.random.default_rng(1).normal(0, 1e-4, (2, 320))
    closing = ((s * 96.0, 96.0), (s * 96.0, 96.0))
    found = combine_passes(ccw + noise[0], cw + noise[1], t_ccw, t_cw, closing)
    assert found.hysteresis_elec_rad == pytest.approx(h, abs=4 * found.u_hysteresis_elec_rad)
    assert found.u_hysteresis_elec_rad < 1e-4
    assert found.drift_elec_rad_s == pytest.approx(s, abs=4 * found.u_drift_elec_rad_s)
    curve = found.deviation_elec_rad - np.mean(found.deviation_elec_rad)
    assert np.max(np.abs(curve - wanted)) < 4e-4
    assert found.scatter_elec_rad == pytest.approx(1e-4, rel=0.15)
    naive = np.mean(ccw - cw)
    assert abs(naive - h) > 1e-3


def test_passes_at_equal_times_leave_drift_out() -> None:
    """Where nothing shows drift, none is claimed."""
    t = np.arange(320.0)
    found = combine_passes(np.full(320, 2e-3), np.zeros(320), t, t)
    assert found.hysteresis_elec_rad == pytest.approx(2e-3)
    assert found.drift_elec_rad_s == 0.0


def test_closure_and_refusals() -> None:
    """Closure wraps; empty curves and unequal passes are refused."""
    assert closure(3.1, -3.1) == pytest.approx(TURN - 6.2)
    with pytest.raises(UsageError):
        deviation(np.array([]), np.array([]), 4, 1)
    with pytest.raises(UsageError):
        combine_passes(np.zeros(5), np.zeros(4), np.zeros(5), np.zeros(5))
    with pytest.raises(UsageError):
        pole_pairs(np.zeros(3), np.zeros(3))


def truth(theta: np.ndarray) -> np.ndarray:
    return 6 * np.cos(4 * theta + 0.3) + 4 * np.cos(8 * theta + 1) + 2.5 * np.cos(16 * theta - 0.4)


def test_orders_come_back_with_a_gap() -> None:
    """Orders are unbiased on a jittered grid with a tenth missing, and their stated u is right."""
    rng = np.random.default_rng(5)
    theta = np.sort(rng.uniform(0, 0.9 * TURN, 200))
    draws = [fit_orders(theta, truth(theta) + 7 + rng.normal(0, 0.5, 200), [4, 8, 16]) for _ in range(200)]
    assert np.mean([d.coefficients[0] for d in draws]) == pytest.approx(6 * np.exp(0.3j), abs=0.02)
    assert np.mean([d.constant for d in draws]) == pytest.approx(7, abs=0.02)
    spread = np.sqrt(
        0.5 * (np.var([d.coefficients[0].real for d in draws]) + np.var([d.coefficients[0].imag for d in draws]))
    )
    assert spread == pytest.approx(draws[0].u_amplitude(4), rel=0.15)
    assert draws[0].residual_rms == pytest.approx(0.5, rel=0.15)


def test_orders_evaluate_and_slope() -> None:
    """The model gives back its curve, its slope and its phase."""
    found = fit_orders(GRID, truth(GRID) + 1, [4, 8, 16])
    at = np.array([0.1, 2.2])
    assert found.evaluate(at) == pytest.approx(truth(at) + 1)
    assert found.evaluate(at, with_constant=False) == pytest.approx(truth(at))
    assert found.slope(at) == pytest.approx((truth(at + 1e-6) - truth(at - 1e-6)) / 2e-6, rel=1e-6)
    assert found.phase_rad(8) == pytest.approx(1.0)
    with pytest.raises(UsageError):
        found.amplitude(5)


def test_weights_count() -> None:
    """A point of little weight moves the fit little."""
    y = truth(GRID).copy()
    y[7] += 100
    weights = np.ones(320)
    weights[7] = 1e-9
    assert fit_orders(GRID, y, [4, 8, 16], weights).amplitude(4) == pytest.approx(6, abs=1e-4)


def test_orders_that_the_grid_cannot_tell_apart_are_refused() -> None:
    """Order 1 and order 9 on ten points, too many orders, or order 0: refused, never solved by chance."""
    theta = np.arange(10) * TURN / 10
    for orders in ([1, 9], [1, 2, 3, 4, 6], [0, 1], []):
        with pytest.raises(UsageError):
            fit_orders(theta, np.ones(10), orders)
    assert design(theta, [1]).shape == (10, 3)


def test_good_sweep_points_fold_nothing() -> None:
    """Offered counts divide the axis' steps and keep the stepper orders off zero, Nyquist and the part's orders."""
    for p, teeth in ((1, 6), (2, 8), (3, 14), (4, 16), (4, 14), (5, 18), (8, 24)):
        counts = good_sweep_points(3200, p, teeth)
        assert counts
        for n in counts:
            assert 3200 % n == 0 and n >= 48 * p
            assert not any(fault for _, fault in grid_folding(n, p, teeth).values())
    assert good_sweep_points(3200, 4, 16)[:2] == (320, 640)


def test_bad_grids_are_named() -> None:
    """48 points hide order 50 in order 2, 200 points show order 200 as zero and 100 at Nyquist."""
    assert grid_folding(48, 4, 16)[50] == (2, "order 2")
    assert grid_folding(200, 4, 16)[200] == (0, "zero")
    assert grid_folding(200, 4, 16)[100] == (100, "Nyquist")
    assert grid_folding(82, 4, 16)[50] == (32, "order 32")  # twice the teeth, as eight times the pole pairs
    assert grid_folding(90, 4, 20)[50] == (40, "order 40")
    assert grid_folding(121, 4, 10)[100] == (21, "")


def test_an_order_left_out_fails_the_residual_test() -> None:
    """A real order that is not in the model is named with its amplitude; of noise alone nothing is named."""
    y = truth(GRID) + np.cos(24 * GRID) + np.random.default_rng(14).normal(0, 0.3, 320)
    model = fit_orders(GRID, y, [4, 8, 16])
    only_noise, order, amplitude = residual_test(GRID, y - model.evaluate(GRID), model)
    assert (only_noise, order) == (False, 24)
    assert amplitude == pytest.approx(1.0, abs=0.1)
    alarms = 0
    for seed in range(200):
        y = truth(GRID) + np.random.default_rng(seed).normal(0, 0.3, 320)
        model = fit_orders(GRID, y, [4, 8, 16])
        alarms += not residual_test(GRID, y - model.evaluate(GRID), model)[0]
    assert alarms <= 2


def test_the_variance_beside_a_gap_is_small_and_never_negative() -> None:
    """A quarter of the turn unseen: large in the gap, and outside it what the points there give; never below 0."""
    theta = 2.0 * np.pi * np.arange(233) / 320.0
    rng = np.random.default_rng(1)
    fit = fit_orders(theta, np.cos(4 * theta) + 1e-4 * rng.standard_normal(theta.size), tuple(range(1, 13)))
    seen, unseen = fit.variance(theta[20:-20]), fit.variance(np.array([2.0 * np.pi * 276 / 320]))
    assert np.all(seen > 0.0) and np.all(seen < 25 * 1e-8 * 5 / theta.size)
    assert unseen[0] > 1e3 * seen.max()
