"""The simulated axis: what the rotor truly does when steps are commanded."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from drivers.simulated.world.axis import ARCMIN, AxisPhysics
from drivers.simulated.world.trapezoid import Trapezoid
from drivers.simulated.worldfile.keys import AxisWorld

QUIET = {
    "cyclic_50_arcmin": 0,
    "cyclic_100_arcmin": 0,
    "cyclic_200_arcmin": 0,
    "once_arcmin": 0,
    "twice_arcmin": 0,
    "backlash_arcmin": 0,
    "ring_fraction": 0,
    "index_repeat_arcmin": 0,
}
STEPS = 3200
SPEED, ACCEL = 3200.0, 18_000.0


def axis(slip: float = 0.0, **keys: Any) -> AxisPhysics:
    return AxisPhysics(AxisWorld(**{**QUIET, **keys}), 1, np.random.default_rng(1), slip)


def at(one: AxisPhysics, t_s: float) -> float:
    return float(one.rotor_mech_rad(np.array([t_s]))[0])


def go(one: AxisPhysics, t_s: float, steps: float) -> float:
    return one.move(t_s, steps, SPEED, ACCEL) + 1.0


def test_the_profile_is_a_trapezoid_that_keeps_to_speed_and_acceleration() -> None:
    """A long move cruises at the stated speed, a short one never reaches it; both end where they should."""
    for distance in (5.0, 3000.0, -3000.0):
        profile = Trapezoid(2.0, 10.0, 10.0 + distance, SPEED, ACCEL)
        t = np.linspace(2.0, profile.end_s, 20_001)
        steps = profile.steps(t)
        speed = np.gradient(steps, t)
        assert steps[0] == 10.0 and steps[-1] == pytest.approx(10.0 + distance)
        assert np.abs(speed).max() <= SPEED * 1.001
        assert np.abs(np.gradient(speed, t)[2:-2]).max() <= ACCEL * 1.01
    assert profile.end_s - 2.0 == pytest.approx(3000 / SPEED + SPEED / ACCEL)


def test_a_perfect_axis_goes_where_it_is_sent() -> None:
    """Without errors the rotor stands at the commanded angle, in both directions."""
    one = axis()
    t = go(one, 0.0, 800)
    assert at(one, t) == pytest.approx(math.pi / 2, abs=1e-12)
    t = go(one, t, -160)
    assert at(one, t) == pytest.approx(-math.pi / 10, abs=1e-12)
    assert one.commanded_steps(t) == -160 and not one.moving(t)


def test_cyclic_and_coupling_errors_have_their_orders_and_amplitudes() -> None:
    """Over a turn the error holds 1, 2, 50, 100 and 200 per turn with the stated peaks and nothing else."""
    given = {"cyclic_50_arcmin": 3, "cyclic_100_arcmin": 1.5, "cyclic_200_arcmin": 0.7}
    one = axis(**given, once_arcmin=2, twice_arcmin=0.5)
    errors, t = [], 0.0
    for i in range(800):
        t = go(one, t, 4 * i)
        errors.append(at(one, t) - 2 * math.pi * i / 800)
    spectrum = np.abs(np.fft.rfft(errors)) * 2 / 800 / ARCMIN
    for order, amplitude in ((50, 3), (100, 1.5), (200, 0.7), (1, 2), (2, 0.5)):
        assert spectrum[order] == pytest.approx(amplitude, rel=1e-6)
        spectrum[order] = 0
    assert spectrum[1:].max() < 1e-9


def test_backlash_is_the_difference_between_the_directions() -> None:
    """Reached from below and from above the rotor stands one backlash apart; small reversals inside it do nothing."""
    one = axis(backlash_arcmin=6.0)
    t = go(one, go(one, 0.0, 400), 800)
    below = at(one, t)
    t = go(one, go(one, t, 1200), 800)
    assert (at(one, t) - below) / ARCMIN == pytest.approx(6.0)
    here = at(one, t)
    t = go(one, t, 800.5)  # 3.4 arcminutes, less than the backlash
    assert at(one, t) == here


def test_each_move_rings_out() -> None:
    """After a move the rotor swings at ring_hz by ring_fraction of the step and decays with its damping."""
    one = axis(ring_fraction=0.2, ring_hz=80, ring_damping=0.05)
    end = one.move(0.0, 10, SPEED, ACCEL)
    t = end + np.linspace(0, 0.5, 50_001)
    swing = one.rotor_mech_rad(t) - 10 * 2 * math.pi / STEPS
    step = 10 * 2 * math.pi / STEPS
    assert 0.15 * step < swing.max() < 0.2 * step
    rising = t[1:][(swing[:-1] < 0) & (swing[1:] >= 0) & (t[1:] < end + 0.1)]
    assert np.diff(rising) == pytest.approx(1 / (80 * math.sqrt(1 - 0.05**2)), rel=1e-2)
    late = np.abs(swing[t > end + 0.4]).max()
    assert late < math.exp(-0.05 * 2 * math.pi * 80 * 0.4) * 0.2 * step


def test_lost_steps_are_whole_cycles_and_come_once_an_indexing() -> None:
    """Passing lost_at_deg loses a multiple of 7.2 degrees, once; after a new index the position is right again."""
    one = axis(lost_at_deg=90.0, lost_deg=8.0)
    t = go(one, 0.0, 799)
    assert at(one, t) == pytest.approx(799 * 2 * math.pi / STEPS)
    t = go(one, t, 1600)
    assert math.degrees(at(one, t)) == pytest.approx(180 - 7.2)
    t = go(one, t, 0)
    assert math.degrees(at(one, t)) == pytest.approx(-7.2)
    t = one.index(t) + 1.0
    assert one.commanded_steps(t) == 0 and math.degrees(at(one, t)) % 360 == pytest.approx(0, abs=1e-9)
    assert one.index_found_steps == pytest.approx(64)


def test_the_index_scatters_once_an_indexing() -> None:
    """Two indexings stand a little apart; the place does not change in between."""
    one = axis(index_repeat_arcmin=0.5)
    stands, t = [], 0.0
    for _ in range(40):
        t = one.index(t) + 1.0
        stands.append(math.remainder(at(one, t), 2 * math.pi) / ARCMIN)
        assert at(one, t + 0.5) == at(one, t)
        t = go(one, t, 400)
    assert 0.25 < np.std(stands) < 0.9


def test_a_halt_stops_where_the_command_is() -> None:
    """A halt in motion freezes the commanded position; the motor may have lost whole cycles."""
    one = axis()
    one.move(0.0, 3200, SPEED, ACCEL)
    steps = one.halt(0.5)
    assert 0 < steps < 3200 and not one.moving(0.6) and one.commanded_steps(9.0) == steps
    lost = (steps * 2 * math.pi / STEPS - at(one, 1.0)) / (4 * 2 * math.pi / 200)
    assert lost == pytest.approx(round(lost), abs=1e-9)


@pytest.mark.parametrize("keys", [{"stuck": True}, {}])
def test_a_stuck_or_released_axis_does_not_turn(keys: dict[str, Any]) -> None:
    """The controller counts its steps while the rotor stays."""
    one = axis(**keys)
    if not keys:
        one.energise(False)
    t = go(one, 0.0, 800)
    assert one.commanded_steps(t) == 800 and at(one, t) == 0.0


def test_a_wrong_microstep_setting_scales_the_turn() -> None:
    """scale 0.5: half the angle for the same steps."""
    one = axis(scale=0.5)
    assert at(one, go(one, 0.0, 3200)) == pytest.approx(math.pi)


def test_a_slipping_rotor_does_not_close_its_turn_while_the_encoder_does() -> None:
    """The rotor lags the spindle; the encoder on the spindle sees nothing of it."""
    one = axis(slip=2.0, encoder=True, encoder_arcmin=0, encoder_once_arcmin=0)
    t = go(one, 0.0, 3200)
    assert math.degrees(at(one, t)) == pytest.approx(358.0)
    reading = one.encoder_mech_deg(t)
    assert reading is not None and math.remainder(reading, 360) == pytest.approx(0, abs=1e-9)
    assert axis().encoder_mech_deg(0.0) is None


def test_a_hand_turns_unevenly_and_onward() -> None:
    """A hand-turned rotor is a smooth function of time that goes round on the whole, at changing speed."""
    one = axis(hand_turned=True)
    t = np.linspace(0, 12, 5001)
    angle = one.rotor_mech_rad(t)
    speed = np.gradient(angle, t)
    assert abs(angle[0]) < 1e-9 and angle[-1] == pytest.approx(4 * math.pi, abs=1.0)
    assert speed.std() > 0.3 * speed.mean()
    assert np.array_equal(angle, one.rotor_mech_rad(t))


def test_earlier_times_can_still_be_asked_within_the_last_moves() -> None:
    """A capture that began before a move sees the rotor where it was."""
    one = axis()
    end = go(one, 0.0, 800)
    go(one, end, 1600)
    t = np.array([end - 0.5, end + 5.0])
    assert one.rotor_mech_rad(t) == pytest.approx([math.pi / 2, math.pi])
