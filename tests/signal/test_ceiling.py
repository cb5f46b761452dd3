"""Channels that stop at a ceiling of which no rail code is known: records and envelopes, cut or whole."""

from __future__ import annotations

import numpy as np
import pytest

from rig.signal.ceiling import envelope_ceiling, flattening, record_ceiling

RATE_HZ, HZ = 250e3, 9913.7


def record(samples: int = 1000, noise: float = 0.0, third: float = 0.0) -> np.ndarray:
    """A carrier of amplitude 1."""
    turn = 2 * np.pi * HZ * np.arange(samples) / RATE_HZ + 0.2
    return np.sin(turn) + third * np.sin(3 * turn) + noise * np.random.default_rng(1).standard_normal(samples)


@pytest.mark.parametrize("level", [0.63, 0.8, 0.95])
@pytest.mark.parametrize("noise", [0.0, 1e-3])
def test_a_cut_record_is_found_at_its_level(level: float, noise: float) -> None:
    """With noise before the cut or after it, the ceiling is told with its level."""
    after = noise * np.random.default_rng(2).standard_normal(1000)
    for values in (np.clip(record(noise=noise), -level, level), np.clip(record(), -level, level) + after):
        found = record_ceiling(values, RATE_HZ, HZ)
        assert found is not None and abs(found.level) == pytest.approx(level, abs=5e-3)


@pytest.mark.parametrize("noise", [0.0, 1e-3, 1e-2])
def test_a_whole_record_has_no_ceiling(noise: float) -> None:
    """A clean, noisy, coarsely rounded or distorted record has none where the source is distorted alike."""
    assert record_ceiling(record(noise=noise), RATE_HZ, HZ) is None
    assert record_ceiling(np.round(record(noise=noise) / 0.01) * 0.01, RATE_HZ, HZ) is None
    bent = record(noise=noise, third=0.06)
    assert record_ceiling(bent, RATE_HZ, HZ, flattening(record(third=0.06), RATE_HZ, HZ)) is None


@pytest.mark.parametrize("points", [60, 72, 100, 160, 320])
@pytest.mark.parametrize("pole_pairs", [1, 2, 3, 4])
@pytest.mark.parametrize("level", [0.63, 0.8, 0.95])
def test_a_cut_envelope_is_found(points: int, pole_pairs: int, level: float) -> None:
    """Many positions at one largest amplitude, whichever output."""
    theta = np.arange(points) * 2 * np.pi / points
    noise = 2e-4 * np.random.default_rng(points).standard_normal(points)
    for wave in (np.sin(pole_pairs * theta + 0.3), np.cos(pole_pairs * theta + 0.3)):
        found = envelope_ceiling(theta, np.clip(wave, -level, level) + noise, pole_pairs)
        assert found is not None and found.level == pytest.approx(level, abs=2e-3)
        assert envelope_ceiling(theta, wave + noise, pole_pairs) is None


@pytest.mark.parametrize("third", [-0.17, -0.111, -0.03, 0.03, 0.111, 0.17])
def test_a_winding_with_harmonics_is_no_ceiling(third: float) -> None:
    """A third harmonic flattens or sharpens an envelope; it puts no positions at one value."""
    theta = np.arange(160) * 2 * np.pi / 160
    assert envelope_ceiling(theta, np.sin(4 * theta) + third * np.sin(12 * theta), 4) is None


@pytest.mark.parametrize("dc", [0.0, 3.0, -0.7])
def test_a_cut_sine_reaches_as_far_above_as_it_was_cut_whatever_the_dc(dc: float) -> None:
    """Cut at 0.8 of its peak on both sides, the lower part reaches 25 % above; whole, it reaches not at all."""
    t = np.arange(3000) / 250e3
    whole = 4.0 * np.sin(2 * np.pi * 9913.7 * t + 0.4)
    cut = np.clip(whole, -3.2, 3.2)
    assert flattening(cut + dc, 250e3, 9913.7) == pytest.approx(0.25, abs=0.01)
    assert flattening(whole + dc, 250e3, 9913.7) == pytest.approx(0.0, abs=1e-3)
