"""Properties of fits, angles and orders that hold for any signal."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.resolver.turn.angle import electrical_angle, pole_pairs, wrap
from rig.resolver.turn.ellipse import fit_ellipse
from rig.resolver.turn.error_curve import deviation
from rig.resolver.turn.grids import fold_order
from rig.resolver.turn.orders import fit_orders
from rig.signal.common_frequency import pooled_frequency
from rig.signal.phasor import carrier_phase, signed_envelope
from rig.signal.sine_fit import fit


def centred_error(theta_elec_rad, theta_mech_rad, pole_pairs, direction):  # type: ignore[no-untyped-def]
    """(n,) error in electrical rad, its mean over the points taken off."""
    curve, _ = deviation(theta_elec_rad, theta_mech_rad, pole_pairs, direction)
    return curve - np.mean(curve)


RATE = 250e3
hertz = st.floats(1500.0, 40e3)
phase = st.floats(-3.1, 3.1)


@settings(max_examples=60)
@given(hertz, st.floats(1e-3, 10), phase, st.floats(-5, 5), st.integers(400, 1500))
def test_demodulation_undoes_modulation(hz: float, amplitude: float, start: float, dc: float, m: int) -> None:
    """A modelled record gives back the phasor it was made of."""
    t = (np.arange(m) - (m - 1) / 2) / RATE
    x = amplitude * np.cos(2 * np.pi * hz * t + start) + dc
    found = fit(x[None, None, :], RATE, hz)
    assert abs(found.fundamental[0, 0] - amplitude * np.exp(1j * start)) < 1e-8 * (amplitude + abs(dc))
    assert abs(found.dc[0, 0] - dc) < 1e-8 * (amplitude + abs(dc))


@settings(max_examples=40, deadline=None)
@given(hertz, st.integers(600, 1500), st.integers(0, 1000))
def test_frequency_is_found(hz: float, m: int, seed: int) -> None:
    """Any frequency of three cycles and more is found from noise-free records without a hint."""
    t = np.arange(m) / RATE
    starts = np.random.default_rng(seed).uniform(0, 6.28, (6, 1))
    found = pooled_frequency(3 * np.cos(2 * np.pi * hz * t + starts), RATE)
    assert abs(found.frequency_hz - hz) < 1e-7 * hz


@given(st.floats(1e-3, 1e3), phase, st.integers(400, 900))
def test_fit_is_linear(scale: float, start: float, m: int) -> None:
    """Twice the signal is twice the phasor, and the phase is the same."""
    x = np.random.default_rng(m).normal(size=m)
    one = fit(x[None, None, :], RATE, 10e3)
    two = fit(scale * x[None, None, :], RATE, 10e3)
    assert np.allclose(two.fundamental, scale * one.fundamental, rtol=1e-9)
    assert np.allclose(two.residual_rms, scale * one.residual_rms, rtol=1e-9)


@given(st.floats(-1.5, 1.5), st.floats(-0.05, 0.05), st.floats(-0.05, 0.05), st.floats(-3, 3))
def test_envelope_of_any_carrier(carrier: float, re: float, im: float, zero: float) -> None:
    """Whatever the carrier phase and the rotor-independent part, the moving envelope comes back with its sign."""
    elec = 4 * np.arange(96) * 2 * np.pi / 96 + zero
    ratios = 0.3 * np.sin(elec) * np.exp(1j * carrier) + complex(re, im)
    found = carrier_phase(ratios)
    u, _ = signed_envelope(ratios, found.phase_rad)
    assert np.allclose(u - np.mean(u), 0.3 * np.sin(elec), atol=1e-9)


@given(st.sampled_from([1, 2, 3, 4, 5, 8]), st.sampled_from([1, -1]), phase, st.floats(-0.02, 0.02), phase)
def test_rotation_changes_nothing(p: int, direction: int, zero: float, size: float, turn: float) -> None:
    """Pole pairs, direction and the error's orders don't depend on where the rotor was clamped."""
    mech = np.arange(160) * 2 * np.pi / 160
    theta = wrap(direction * p * mech + zero + size * np.cos(2 * p * (mech + turn)))
    found = pole_pairs(electrical_angle(np.sin(theta), np.cos(theta)), mech)
    assert (found.value, found.direction) == (p, direction)
    curve = centred_error(theta, mech, p, direction)
    assert abs(np.mean(curve)) < 1e-12
    assert np.isclose(fit_orders(mech, curve, [2 * p]).amplitude(2 * p), abs(size), atol=1e-9)


@given(st.floats(0.5, 2), st.floats(-0.3, 0.3), st.floats(-0.2, 0.2), st.floats(-0.2, 0.2), st.floats(0.01, 100))
def test_ellipse_of_any_shape(a: float, b: float, cu: float, cv: float, scale: float) -> None:
    """Any ellipse gives back what it was made of, in any unit."""
    t = np.arange(64) * 2 * np.pi / 64
    found = fit_ellipse(scale * (a * np.sin(t + b) + cu), scale * (np.cos(t) + cv))
    assert np.isclose(found.imbalance, a - 1, atol=1e-7)
    assert np.isclose(found.orthogonality_rad, b, atol=1e-7)
    assert np.isclose(found.centre_u, scale * cu, atol=1e-7 * scale)
    assert np.isclose(found.centre_v, scale * cv, atol=1e-7 * scale)


@given(st.integers(1, 500), st.integers(3, 700))
def test_folding_is_what_the_grid_shows(order: int, points: int) -> None:
    """An order and its folded order look alike on the grid."""
    theta = np.arange(points) * 2 * np.pi / points
    assert np.allclose(np.cos(order * theta), np.cos(fold_order(order, points) * theta), atol=1e-7)
    assert 0 <= fold_order(order, points) <= points / 2
