"""A signal whose amplitude moves: windows with a ramp give level and slope, and how far noise moves them."""

import numpy as np
import pytest

from rig.errors import UsageError
from rig.signal.moving import kept_amplitude, moving_phasors

RATE_HZ, HZ, WINDOW_S = 250e3, 9913.7, 2e-3


def record(records: int, samples: int, noise: float, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """(records, 2, samples) of a channel that ramps and one that stands; the complex amplitude at every sample."""
    t = np.arange(samples) / RATE_HZ
    amplitude = (1.0 + 40.0 * t) * np.exp(0.3j)
    volts = np.real(np.stack([amplitude, np.full(samples, 0.5 - 0.2j)]) * np.exp(2j * np.pi * HZ * t))
    made = np.broadcast_to(volts, (records, 2, samples)).copy()
    return made + noise * np.random.default_rng(seed).standard_normal(made.shape), amplitude


def test_a_ramp_is_followed_and_its_slope_told() -> None:
    """1 V that grows by 40 V a second: level and slope at the middle of every window, to 1 ppm; the other stands."""
    volts, _ = record(2, 2600, 0.0)
    found = moving_phasors(volts, RATE_HZ, HZ, window_s=WINDOW_S)
    assert found.phasor.shape == found.slope.shape == (2, found.centre_s.size, 2)
    assert found.centre_s.size == 2600 // found.samples
    level = np.abs(found.phasor[0, :, 0])
    assert level == pytest.approx(1.0 + 40.0 * found.centre_s, rel=1e-6)
    assert np.abs(found.slope[:, :, 0]) == pytest.approx(40.0, rel=1e-5)
    assert np.abs(found.phasor[..., 1]) == pytest.approx(abs(0.5 - 0.2j), rel=1e-6)
    assert np.max(np.abs(found.slope[..., 1])) < 1e-4


def test_u_is_the_scatter_that_noise_gives() -> None:
    """Standard deviation of real and imaginary part over 300 records, for each channel by its own scale."""
    volts, _ = record(300, 1000, 0.01)
    found = moving_phasors(volts, RATE_HZ, HZ, window_s=WINDOW_S, scale=np.array([1.0, 3.0]))
    seen = found.phasor - np.mean(found.phasor, axis=0)
    for channel in (0, 1):
        scatter = np.sqrt(0.5 * np.mean(np.abs(seen[..., channel]) ** 2))
        assert found.u[channel] == pytest.approx(scatter, rel=0.06)
    assert found.u[1] / found.u[0] == pytest.approx(3.0, rel=0.02)


def test_a_record_shorter_than_a_window_is_refused() -> None:
    """With both lengths."""
    with pytest.raises(UsageError, match="shorter than a window"):
        moving_phasors(record(1, 100, 0.0)[0], RATE_HZ, HZ, window_s=WINDOW_S)


def test_a_sine_that_turns_within_the_window_loses_what_is_said() -> None:
    """An envelope sin(w t) at 25 to 200 rad/s: the amplitude of the windows' levels over the share kept is 1 within
    5e-6, where the share itself falls to 0.993."""
    t = np.arange(250_000) / RATE_HZ
    for speed in (25.0, 50.0, 200.0):
        carrier = np.cos(2 * np.pi * HZ * t)
        found = moving_phasors(np.stack([np.sin(speed * t) * carrier, carrier])[None], RATE_HZ, HZ, window_s=WINDOW_S)
        level = (found.phasor[0, :, 0] / found.phasor[0, :, 1]).real
        shape = np.column_stack([np.sin(speed * found.centre_s), np.cos(speed * found.centre_s)])
        size = float(np.hypot(*np.linalg.lstsq(shape, level, rcond=None)[0]))
        share = float(kept_amplitude(np.array([speed]), found.samples / RATE_HZ)[0])
        assert size / share == pytest.approx(1.0, abs=5e-6)
    assert share == pytest.approx(1.0 - (200.0 * WINDOW_S) ** 2 / 24.0, abs=2e-4)
