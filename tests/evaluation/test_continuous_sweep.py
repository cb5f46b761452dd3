"""A turn on the fly: pulses on a channel, windows with ramps, both directions."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from rig.errors import UsageError
from rig.evaluation.turn.continuous import SweepPass, _repeat, both_passes, edges_s, one_pass
from rig.records.elsewhere.tables import stack_of_volts

RATE_HZ = 250_000.0
PULSES = 800
P = 4
STEP = 2 * math.pi / PULSES
BACK = -2 * STEP  # the first edge seen stands a pulse off the start, on either side


def turning(
    direction: int,
    *,
    rpm: float = 60.0,
    latency_s: float = 0.0,
    noise_v: float = 1e-4,
    seed: int = 1,
    turns: float = 1.02,
    slip_mech_rad: float = 0.0,
) -> Any:
    """Turns: pulses at equal angles; the recorded outputs lag by a delay; error of orders 4, 8, 16. slip: what the
    rotor stays behind the pulses a turn."""
    rng = np.random.default_rng(seed)
    seconds = 60.0 / rpm * turns
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    speed = 2 * math.pi * rpm / 60.0
    wobble = 0.02 * np.sin(2 * math.pi * 3.0 * t) / (2 * math.pi * 3.0)
    travelled = speed * (t + wobble)
    late = direction * np.interp(t - latency_s, t, travelled) * (1.0 - slip_mech_rad / (2 * math.pi))
    el = P * late + error(late)
    carrier = 2 * math.pi * 9913.7 * t
    pulses = 2.5 + 2.5 * np.sign(np.sin(travelled * PULSES))
    volts = np.stack([4 * np.sin(carrier), 1.144 * np.sin(el) * np.sin(carrier - 0.1), np.zeros_like(t), pulses])
    volts[2] = 1.144 * np.cos(el) * np.sin(carrier - 0.1)
    volts[:3] += noise_v * rng.standard_normal((3, t.size))
    return stack_of_volts(volts[None], ("exc", "sin", "cos", "pulse"), RATE_HZ)


def error(theta: Any) -> Any:
    """The true error, electrical rad."""
    return 2e-3 * np.sin(4 * theta + 0.4) + 3e-3 * np.cos(8 * theta) + 1e-3 * np.sin(16 * theta - 1.0)


def passes(latency_s: float, rpm: float = 60.0) -> tuple[SweepPass, SweepPass]:
    up = one_pass(turning(1, rpm=rpm, latency_s=latency_s), pulse_channel="pulse", pulse_mech_rad=STEP, direction=1)
    back = turning(-1, rpm=rpm, latency_s=latency_s, seed=2)
    return up, one_pass(back, pulse_channel="pulse", pulse_mech_rad=STEP, direction=-1)


@pytest.mark.parametrize("latency_s", [0.0, 50e-6])
def test_both_directions_cancel_a_delay(latency_s: float) -> None:
    """At 60 rpm a delay of 50 us moves the angle by 4'; both passes cancel it, and tell it to a microsecond."""
    found = both_passes(*passes(latency_s), [4, 8, 16], BACK)
    assert (found.pole_pairs, found.direction) == (P, 1)
    assert found.latency_s == pytest.approx(latency_s, abs=2e-6)
    fine = np.linspace(0, 2 * math.pi, 720, endpoint=False)
    truth = error(fine + STEP) - np.mean(error(fine))
    off = found.model.evaluate(fine, with_constant=False) - truth
    assert math.degrees(float(np.max(np.abs(off)))) * 60 < 0.15


@pytest.mark.parametrize("slip_deg", [0.0, 0.02, -1.6])
def test_the_second_turn_on_the_fly_shows_what_a_turn_leaves(slip_deg: float) -> None:
    """Two turns each way: closures of opposite sign by slip times pole pairs, to a twentieth of an arcmin."""
    slip = math.radians(slip_deg)
    sides = [
        one_pass(
            turning(d, turns=2.05, slip_mech_rad=slip, seed=d + 2),
            pulse_channel="pulse",
            pulse_mech_rad=STEP,
            direction=d,
        )
        for d in (1, -1)
    ]
    found = both_passes(*sides, [4, 8, 16]).closures_elec_rad
    assert found is not None
    up, down, u = found
    assert (up, down) == pytest.approx((-P * slip, P * slip), abs=math.radians(0.05 / 60) + 0.001 * P * abs(slip))
    assert u < math.radians(0.05 / 60)
    assert both_passes(*passes(0.0), [4, 8, 16], BACK).closures_elec_rad is None


def test_one_direction_alone_keeps_the_delay_out_of_the_orders() -> None:
    """The scatter of a window is that of its noise: the ramp leaves nothing of the motion."""
    found = both_passes(*passes(0.0), [4, 8, 16], BACK)
    noise = math.sqrt(2 / 250) * 1e-4 / 1.144
    assert found.scatter_elec_rad < 3 * noise + 2e-5


def test_pulses_are_read_between_samples_and_ringing_is_no_edge() -> None:
    """Edges are interpolated; a dip of a quarter of the swing is none; a dead channel is told."""
    t = np.arange(2000) / 1e5
    wave = np.sin(2 * math.pi * 997.0 * t)
    found = edges_s(wave, 1e5)
    assert np.allclose(np.diff(found), 1 / 997.0, atol=2e-7)
    square = np.sign(np.sin(2 * math.pi * 500.0 * t + 0.1))
    ringing = square - 0.3 * np.isin(np.arange(2000) % 200, (20, 21))
    assert edges_s(ringing, 1e5).size == edges_s(square, 1e5).size
    with pytest.raises(UsageError, match="rising edges"):
        edges_s(np.zeros(100), 1e5)


def test_passes_of_one_direction_are_refused() -> None:
    """Two passes the same way can't cancel a delay."""
    up, _ = passes(0.0)
    with pytest.raises(UsageError, match="same way"):
        both_passes(up, up, [4])


def test_what_play_leaves_is_one_turn_against_the_next() -> None:
    """A second turn that stands 0.3' off and one that swings: the rms of one turn; noise of a window is no part."""
    arcmin = np.pi / 10_800.0
    rng = np.random.default_rng(1)
    along = np.linspace(0.0, 4.0 * np.pi, 1600, endpoint=False)
    error = 5.0 * arcmin * np.cos(4 * along) + 0.05 * arcmin * rng.standard_normal(along.size)
    second = along >= 2.0 * np.pi
    off = error + np.where(second, 0.3 * arcmin * (1.0 + np.sqrt(2.0) * np.cos(along)), 0.0)
    for sides, expected in (((error, error), 0.0), ((off, off), 0.3), ((off, error), 0.3 / np.sqrt(2.0))):
        found = _repeat([(along, sides[0]), (along[::-1], sides[1][::-1])])
        assert found is not None
        assert found / arcmin == pytest.approx(expected, abs=0.02)
    assert _repeat([(along[:700], error[:700])] * 2) is None
