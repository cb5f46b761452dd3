"""Sine fits: what they recover from records of every kind, what they refuse, how fast they are."""

import time

import numpy as np
import pytest

from rig.errors import UsageError
from rig.signal.common_frequency import pooled_frequency
from rig.signal.phasor import carrier_phase, ratio, signed_envelope
from rig.signal.sine_fit import fit, fit_stack, usable_orders
from rig.signal.waveform import WaveformStack

RATE = 250e3


def record(hz: float, m: int, phase: float = 0.3, amplitude: float = 2.0, dc: float = 0.0, third: float = 0.0):
    t = (np.arange(m) - (m - 1) / 2) / RATE
    turn = 2 * np.pi * hz * t + phase
    return amplitude * np.cos(turn) + dc + third * np.cos(3 * turn)


@pytest.mark.parametrize("m", [26, 40, 250, 1000, 2503])
def test_fit_recovers_every_part(m: int) -> None:
    """Amplitude, phase at the centre, DC and third harmonic come back from one cycle up, whole cycles or not."""
    found = fit(record(9913.7, m, dc=0.1, third=0.05)[None, None, :], RATE, 9913.7)
    assert found.fundamental[0, 0] == pytest.approx(2 * np.exp(0.3j), abs=1e-9)
    assert found.dc[0, 0] == pytest.approx(0.1, abs=1e-9)
    assert found.orders == (2, 3, 4, 5)
    assert abs(found.harmonics[0, 0, 1]) == pytest.approx(0.05, abs=1e-9)
    assert found.thd()[0, 0] == pytest.approx(0.025, abs=1e-8)


def test_harmonics_above_nyquist_are_left_out() -> None:
    """A harmonic at or above half the rate has no column, so that it can't fold onto another."""
    assert usable_orders(60e3, RATE, 1000, 5) == (1, 2)
    assert fit(record(60e3, 1000)[None, None, :], RATE, 60e3).harmonics.shape == (1, 1, 1)
    assert usable_orders(10e3, RATE, 9, 5) == (1, 2, 3)


def test_codes_and_volts_agree() -> None:
    """The product on int16 codes gives the phasors of the volts within a hundredth of a code."""
    rng = np.random.default_rng(0)
    volts = np.stack([record(9913.7, 2500, phase) for phase in rng.uniform(0, 6, 50)])[:, None, :]
    codes = np.round((volts + rng.normal(0, 3e-4, volts.shape)) / 3.05e-4).astype(np.int16)
    stack = WaveformStack(
        codes=codes,
        scale_v=np.array([3.05e-4]),
        offset_v=np.array([0.02]),
        sample_rate_hz=RATE,
        channels=("a",),
        rail_low=-32768,
        rail_high=32767,
    )
    by_codes = fit_stack(stack, 9913.7)
    by_volts = fit(stack.volts(), RATE, 9913.7)
    assert np.max(np.abs(by_codes.fundamental - by_volts.fundamental)) < 3e-6
    assert by_codes.dc == pytest.approx(by_volts.dc, abs=3e-6)
    assert by_codes.residual_rms == pytest.approx(by_volts.residual_rms, rel=1e-4)
    assert by_codes.noise()[0] == pytest.approx(3.13e-4, rel=0.02)


@pytest.mark.parametrize("cycles", [1.03, 1.6, 2.4, 5.2, 20.4])
def test_frequency_of_short_records(cycles: float) -> None:
    """From one cycle up the frequency is found without being told where to look."""
    m = round(cycles * RATE / 9913.7)
    rows = np.stack([record(9913.7, m, phase) for phase in np.linspace(0, 6, 24)])
    assert pooled_frequency(rows, RATE).frequency_hz == pytest.approx(9913.7, rel=1e-8)


def test_frequency_is_not_drawn_by_harmonics_dc_or_start() -> None:
    """Harmonics, an offset and a far start leave the pooled frequency below 0.001 ppm without noise."""
    rows = np.stack([record(9913.7, 1003, p, dc=0.5, third=0.1) for p in np.linspace(0, 6, 30)])
    for near in (None, 9000.0, 11000.0):
        assert pooled_frequency(rows, RATE, near).frequency_hz == pytest.approx(9913.7, rel=1e-9)


def test_near_keeps_a_stronger_line_out() -> None:
    """Asked near a frequency, a stronger line elsewhere isn't taken."""
    rows = np.stack([record(9913.7, 2500, p) + 3 * record(50e3, 2500, p) for p in (0.1, 1.2)])
    assert pooled_frequency(rows, RATE, 10e3, harmonics=1).frequency_hz == pytest.approx(9913.7, abs=1.0)
    assert pooled_frequency(rows, RATE, harmonics=1).frequency_hz == pytest.approx(50e3, abs=1.0)


def test_wandering_source_shows_per_record() -> None:
    """A record at another frequency is seen in its own figure."""
    rows = np.stack([record(9913.7 + (2.0 if i == 7 else 0.0), 2500) for i in range(20)])
    found = pooled_frequency(rows, RATE)
    assert int(np.argmax(np.abs(found.per_record_hz - found.frequency_hz))) == 7


def test_refusals() -> None:
    """A dead channel, half a cycle, a frequency above Nyquist and wrong shapes are refused with a reason."""
    good = np.stack([record(9913.7, 500)])
    for bad in (
        lambda: pooled_frequency(np.ones((3, 500)), RATE),
        lambda: pooled_frequency(good[0], RATE),
        lambda: pooled_frequency(good, RATE, 200e3),
        lambda: fit(good[:, None, :15], RATE, 9913.7),
        lambda: fit(good[:, None, :], RATE, 130e3),
        lambda: fit(good, RATE, 9913.7),
    ):
        with pytest.raises(UsageError):
            bad()


def test_projection_is_fast() -> None:
    """A sweep of 720 x 4 x 2500 samples becomes phasors in well under a second (10 to 20 ms measured)."""
    codes = np.random.default_rng(0).integers(-30000, 30000, (720, 4, 2500), dtype=np.int16)
    fit(codes[:8], RATE, 9913.7)
    times = []
    for _ in range(3):
        start = time.perf_counter()
        fit(codes, RATE, 9913.7)
        times.append(time.perf_counter() - start)
    assert min(times) < 0.3


def sweep_ratios(phase: float, constant: complex = 0j, quadrature: float = 0.0, n: int = 320):
    elec = 4 * np.arange(n) * 2 * np.pi / n
    return 0.3 * np.sin(elec) * np.exp(1j * phase) + constant + 1j * quadrature * np.cos(elec) * np.exp(1j * phase)


def test_carrier_phase_ignores_a_constant() -> None:
    """5 % of rotor-independent coupling leaves the carrier phase alone and comes back as the residual."""
    found = carrier_phase(sweep_ratios(0.2, 0.01 + 0.02j))
    assert found.phase_rad == pytest.approx(0.2, abs=1e-9)
    assert found.residual == pytest.approx(0.01 + 0.02j, abs=1e-12)


def test_sign_follows_the_reference() -> None:
    """Of the two branches the one nearest to the asked phase is taken, so that the envelope has its sign."""
    ratios = sweep_ratios(0.2)
    assert carrier_phase(ratios, sign_from=np.pi).phase_rad == pytest.approx(0.2 - np.pi)
    u, _ = signed_envelope(ratios, carrier_phase(ratios).phase_rad)
    assert u[10] > 0
    assert carrier_phase(sweep_ratios(np.radians(89))).phase_rad == pytest.approx(np.radians(89))


def test_quadrature_stands_apart() -> None:
    """Quadrature stays out of the envelope and comes back whole."""
    ratios = sweep_ratios(0.1, quadrature=0.002)
    u, q = signed_envelope(ratios, carrier_phase(ratios).phase_rad)
    assert np.max(np.abs(u)) == pytest.approx(0.3, rel=1e-9)
    assert np.max(np.abs(q)) == pytest.approx(0.002, rel=1e-6)


def test_carrier_phase_uncertainty_covers() -> None:
    """The stated u of the carrier phase is what repeated noise gives."""
    rng = np.random.default_rng(2)
    found = []
    for _ in range(200):
        noise = rng.normal(0, 1e-3, (2, 320))
        found.append(carrier_phase(sweep_ratios(0.2) + noise[0] + 1j * noise[1]))
    assert np.std([f.phase_rad for f in found]) == pytest.approx(np.mean([f.u_rad for f in found]), rel=0.2)


def test_phasor_refusals() -> None:
    """A dead reference, two points, and a channel that doesn't move are refused."""
    with pytest.raises(UsageError):
        ratio(np.array([1 + 0j]), np.array([0j]))
    with pytest.raises(UsageError):
        carrier_phase(np.array([1 + 0j, 2 + 0j]))
    with pytest.raises(UsageError):
        carrier_phase(np.full(10, 0.3 + 0.1j))
