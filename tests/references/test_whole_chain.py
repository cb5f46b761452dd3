"""Codes to error curve: the figures promised for the ground floor, on signals whose truth is a formula."""

import math

import numpy as np
import pytest

from rig.resolver.turn.angle import electrical_angle, pole_pairs
from rig.resolver.turn.error_curve import deviation
from rig.resolver.turn.orders import fit_orders
from rig.signal.common_frequency import pooled_frequency
from rig.signal.phasor import carrier_phase, ratio, signed_envelope
from rig.signal.sine_fit import fit


def centred_error(theta_elec_rad, theta_mech_rad, pole_pairs, direction):  # type: ignore[no-untyped-def]
    """(n,) error in electrical rad, its mean over the points taken off."""
    curve, _ = deviation(theta_elec_rad, theta_mech_rad, pole_pairs, direction)
    return curve - np.mean(curve)


ARCMIN = math.degrees(1) * 60
RATE, HZ, POINTS, M = 250e3, 9913.7 * (1 + 37e-6), 200, 2500
MECH = np.arange(POINTS) * 2 * np.pi / POINTS


def true_error_arcmin(mech: np.ndarray) -> np.ndarray:
    return 8 * np.cos(4 * mech + 0.5) + 6 * np.cos(8 * mech - 1) + 3 * np.cos(16 * mech + 2)


def codes(noise_codes: float, rng: np.random.Generator) -> np.ndarray:
    """(points, 3, m) int16: 4 V excitation with harmonics and DC, ratio 0.286, 0.3 % quadrature, 2 us skew a channel,
    1 % drift of the level, a new phase at every arming."""
    elec = 4 * MECH + true_error_arcmin(MECH) / ARCMIN
    start = rng.uniform(0, 2 * np.pi, POINTS)
    level = 4 * (1 + 0.01 * np.arange(POINTS) / POINTS)
    out = np.empty((POINTS, 3, M))
    shape = (np.ones(POINTS), 0.286 * np.sin(elec), 0.286 * np.cos(elec))
    for c in range(3):
        turn = 2 * np.pi * HZ * (np.arange(M) / RATE + c * 2e-6) + start[:, None] + (0.08 if c else 0.0)
        gain = (level * shape[c])[:, None]
        out[:, c] = gain * (np.cos(turn) + 0.02 * np.cos(3 * turn) + 0.01 * np.cos(2 * turn)) + 0.02 * c
        if c:
            out[:, c] += 0.003 * 0.286 * level[:, None] * np.sin(turn)
    lsb = 20 / 65536
    return np.round(out / lsb + rng.normal(0, noise_codes, out.shape)).astype(np.int16)


def curve_of(raw: np.ndarray) -> tuple[np.ndarray, float, float]:
    hz = pooled_frequency(raw[:, 0], RATE).frequency_hz
    found = fit(raw, RATE, hz)
    envelopes = []
    for c in (1, 2):
        ratios = ratio(found.fundamental[:, c], found.fundamental[:, 0])
        envelopes.append(signed_envelope(ratios, carrier_phase(ratios).phase_rad)[0])
    theta = electrical_angle(*envelopes)
    found_p = pole_pairs(theta, MECH)
    assert (found_p.value, found_p.direction) == (4, 1)
    tr = float(np.mean(np.hypot(*envelopes)))
    return centred_error(theta, MECH, 4, 1) * ARCMIN, tr, hz


def test_curve_of_a_noisy_sweep() -> None:
    """One code of noise: 0.027 arcmin rms of the curve, 0.12 at most, ratio to 0.02 %, frequency to 0.05 ppm."""
    curve, tr, hz = curve_of(codes(1.0, np.random.default_rng(0)))
    wanted = true_error_arcmin(MECH)
    off = curve - (wanted - np.mean(wanted))
    assert np.sqrt(np.mean(off**2)) < 0.035
    assert np.max(np.abs(off)) < 0.12
    assert tr == pytest.approx(0.286, rel=2e-4)
    assert hz == pytest.approx(HZ, rel=5e-8)
    left = fit_orders(MECH, off, [1, 2, 3, 4, 8, 16])
    assert max(left.amplitude(n) for n in left.orders) < 0.012


def test_curve_without_noise() -> None:
    """Quantisation alone leaves 0.02 arcmin rms at a frequency that isn't a small fraction of the rate."""
    curve, _, _ = curve_of(codes(0.0, np.random.default_rng(1)))
    wanted = true_error_arcmin(MECH)
    assert np.sqrt(np.mean((curve - wanted + np.mean(wanted)) ** 2)) < 0.02


def test_noise_scales_as_the_bound() -> None:
    """Ten codes of noise: sigma = sqrt(2/N) s/A, 0.255 arcmin, and no more."""
    curve, _, _ = curve_of(codes(10.0, np.random.default_rng(2)))
    wanted = true_error_arcmin(MECH)
    bound = math.sqrt(2 / M) * 10 * 20 / 65536 / (0.286 * 4.02) * ARCMIN
    rms = np.sqrt(np.mean((curve - wanted + np.mean(wanted)) ** 2))
    assert rms == pytest.approx(bound, rel=0.15)
