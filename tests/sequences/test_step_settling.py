"""Adaptive settle: where two successive windows of one ringing period agree, the axis has settled."""

from __future__ import annotations

import numpy as np
import pytest

from rig.signal.waveform import Waveform
from sequences.steps.settling import settled_after_s, still_after_s

RATE_HZ, CARRIER_HZ, RING_S = 241_545.9, 10_000.0, 1 / 80.0


def rung(swing_elec_rad: float, decay_s: float, *, seconds: float = 0.25, exc_v: float = 5.0) -> Waveform:
    """A record from the move's end on: the angle swings at 80 Hz and dies away."""
    rng = np.random.default_rng(3)
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    theta = 0.4 + swing_elec_rad * np.exp(-t / decay_s) * np.sin(2 * np.pi * 80.0 * t)
    carrier = np.sin(2 * np.pi * CARRIER_HZ * t)
    volts = np.stack([exc_v * carrier, 0.1 * carrier, 2.8 * np.sin(theta) * carrier, 2.8 * np.cos(theta) * carrier])
    volts += 5e-4 * rng.standard_normal(volts.shape)
    return Waveform(
        codes=np.rint(volts / 10 * 32767).astype(np.int16),
        scale_v=np.full(4, 10 / 32767),
        offset_v=np.zeros(4),
        sample_rate_hz=RATE_HZ,
        channels=("exc_v", "exc_i", "sin", "cos"),
        rail_low=-32768,
        rail_high=32767,
    )


def test_an_axis_at_rest_has_settled_at_once() -> None:
    """Noise alone makes no window differ."""
    assert settled_after_s(rung(0.0, 0.04), CARRIER_HZ, RING_S) == 0.0


@pytest.mark.parametrize(("decay_s", "low_s", "high_s"), [(0.005, 0.0, 0.04), (0.02, 0.06, 0.1), (0.06, 0.1, 0.2)])
def test_it_has_settled_where_windows_agree(decay_s: float, low_s: float, high_s: float) -> None:
    """A swing of 3 deg electrical, well or badly damped: what a period's mean still holds falls below 0.1'."""
    found = settled_after_s(rung(0.05, decay_s), CARRIER_HZ, RING_S)
    assert found is not None and low_s < found < high_s


def test_without_excitation_nothing_is_said() -> None:
    """A dead excitation shows no settling."""
    assert settled_after_s(rung(0.05, 0.04, exc_v=0.0), CARRIER_HZ, RING_S) is None
    assert settled_after_s(rung(0.05, 0.04, seconds=0.03), CARRIER_HZ, RING_S) is None


@pytest.mark.parametrize(("zero_deg", "step_s"), [(12.0, 0.002), (359.999, 0.002), (12.0, 0.03)])
def test_the_encoder_tells_when_the_axis_stands_still(zero_deg: float, step_s: float) -> None:
    """A swing of 13' that dies with 40 ms: within 0.03' after 0.24 s; a display that answers slowly sees it too."""
    rng = np.random.default_rng(5)
    t = np.arange(0.0, 0.58, step_s)
    swing_deg = 13.5 / 60.0 * np.exp(-t / 0.04) * np.sin(2 * np.pi * 79.9 * t)
    angles = (zero_deg + swing_deg + 0.01 / 60.0 * rng.standard_normal(t.size)) % 360.0
    assert 0.15 < still_after_s(t, angles, 0.03) < 0.30
    assert still_after_s(t, np.full(t.size, zero_deg), 0.03) == 0.0


def test_an_axis_that_never_stands_still_is_waited_for_as_long_as_it_was_watched() -> None:
    """A drift through the whole time."""
    t = np.arange(0.0, 0.58, 0.002)
    assert still_after_s(t, 1.0 - 0.2 * np.exp(-t / 0.4), 0.03) > 0.5
