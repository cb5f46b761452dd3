"""The hand-turned figures from ratios alone: fast, with motions that no motor makes."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from rig.errors import UsageError
from rig.evaluation.by_hand.ellipse import HandTurn, follow_angle, hand_turn, turning
from rig.signal.moving import moving_phasors, ratio_slope, window_for


def jerky(seed: int, turns: float, n: int = 1500) -> tuple[Any, Any]:
    """(seconds, mechanical angle): forward on the whole, with stops and steps back."""
    rng = np.random.default_rng(seed)
    t = np.sort(rng.uniform(0.0, 20.0, n))
    rate = 2 * np.pi * turns / 20.0
    swing = sum(rng.uniform(0.1, 0.5) * np.sin(f * rate * t + rng.uniform(0, 6.28)) for f in (1.7, 3.1, 5.3))
    return t, rate * t + swing


def figures(seed: int, turns: float, p: int = 4, gain: float = 1.01, centre: float = 0.004) -> HandTurn:
    """A hand's turn of a part of known truth; phases 5.0 and 4.9 deg, orthogonality 0.3 deg."""
    rng = np.random.default_rng(seed + 1000)
    t, theta = jerky(seed, turns)
    el = p * theta + 0.7
    beta = np.radians(0.3)
    sine = (0.3 * gain * (np.sin(el + beta) + centre)) * np.exp(1j * np.radians(5.0))
    cosine = 0.3 * np.cos(el) * np.exp(1j * np.radians(4.9))
    noise = 3e-5 * (rng.standard_normal((2, t.size)) + 1j * rng.standard_normal((2, t.size)))
    speed = p * np.gradient(theta, t)
    return hand_turn(sine + noise[0], cosine + noise[1], speed, t, p)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("turns", [0.9, 3.0, 11.0])
def test_jerks_and_stops_don_t_matter(seed: int, turns: float) -> None:
    """Ratio, imbalance, orthogonality, centre and phases are right whatever the hand did."""
    found = figures(seed, turns)
    assert found.ellipse.amplitude_v == pytest.approx(0.3, rel=1e-4)
    assert found.ellipse.imbalance == pytest.approx(0.01, abs=2e-4)
    assert np.degrees(found.ellipse.orthogonality_rad) == pytest.approx(0.3, abs=0.01)
    assert found.ellipse.centre_u / found.ellipse.amplitude_u == pytest.approx(0.004, abs=1e-4)
    assert np.degrees(found.phase_sine_rad - found.phase_cosine_rad) == pytest.approx(0.1, abs=0.005)
    assert found.harmonic < 1e-3


def test_less_than_an_electrical_turn_is_refused() -> None:
    """A tenth of a turn of four pole pairs draws no ellipse."""
    with pytest.raises(UsageError, match="no ellipse"):
        figures(1, 0.02)


def test_a_turn_with_a_large_gap_is_no_whole_turn() -> None:
    """Two pole pairs, a quarter of the turn never passed: orders of the turn would be guessed there, so the figures are
    those of an electrical turn; the whole turn is read at three times as many places where it was slow enough."""
    t = np.linspace(0.0, 8.0, 2000)
    for turns, whole in ((0.76, False), (0.95, True), (2.3, True)):
        el = 2 * np.pi * 2 * turns * t / 8.0
        found = hand_turn(0.3 * np.sin(el) + 0j, 0.3 * np.cos(el) + 0j, np.full(t.size, el[-1] / 8.0), t, 2)
        assert found.whole == whole, turns
        assert found.cycle == (2 if whole else 1)
    assert found.u.size == 3 * 16 * 2


def test_gaps_are_bridged_by_the_speed() -> None:
    """Captures 1.3 electrical turns apart are counted right when the speed is known."""
    t = np.linspace(0.0, 3.0, 40)
    angle = 100.0 * t + 3.0 * np.sin(2 * t)
    speed = 100.0 + 6.0 * np.cos(2 * t)
    wrapped = np.angle(np.exp(1j * angle))
    assert np.allclose(follow_angle(wrapped, speed, t) - wrapped[0], angle - angle[0], atol=1e-9)


def test_windows_with_a_ramp_leave_nothing_of_the_motion() -> None:
    """At 60 rpm and four pole pairs a millisecond's window keeps the angle to 0.01' and tells the speed."""
    rate_hz, hz, w = 250e3, 9913.7, 8 * np.pi
    t = np.arange(25_000) / rate_hz
    carrier = np.sin(2 * np.pi * hz * t)
    volts = np.stack([4 * carrier, 1.144 * np.sin(w * t) * carrier, 1.144 * np.cos(w * t) * carrier])[None]
    windows = moving_phasors(volts, rate_hz, hz)
    ratios = [windows.phasor[0, :, c] / windows.phasor[0, :, 0] for c in (1, 2)]
    angle = np.unwrap(np.arctan2(ratios[0].real, ratios[1].real))
    assert np.degrees(np.max(np.abs(angle - w * windows.centre_s))) * 60 < 0.01
    speed = turning(ratios, [ratio_slope(windows, c, 0)[0] for c in (1, 2)])
    assert np.allclose(speed, w, rtol=1e-3)
    assert window_for(10.0) == 1e-3 and window_for(500.0) == pytest.approx(1e-4)


def test_a_record_shorter_than_a_window_is_told() -> None:
    """Ten samples hold no window."""
    with pytest.raises(UsageError, match="shorter than a window"):
        moving_phasors(np.zeros((1, 3, 10)), 250e3, 10e3)
