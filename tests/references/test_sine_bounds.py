"""Sine fits against their Cramer-Rao bounds and a published four-parameter example."""

import math

import numpy as np
import pytest
from published import rows

from rig.signal.common_frequency import pooled_frequency
from rig.signal.sine_fit import basis, fit


def fisher(samples: int, cycles: float, phase: float) -> tuple[float, float]:
    """(variance of amplitude over 2 s^2/N, of frequency over 24 s^2/(A^2 N^3)) of the four-parameter model."""
    w = 2 * math.pi * cycles / samples
    i = np.arange(samples) - (samples - 1) / 2
    c, s = np.cos(w * i + phase), np.sin(w * i + phase)
    inverse = np.linalg.inv((m := np.column_stack([c, -s, -s * i, np.ones(samples)])).T @ m)
    return inverse[0, 0] * samples / 2, inverse[2, 2] * samples**3 / 24


@pytest.mark.parametrize("row", rows("fisher_bounds"))
def test_bounds_table(row: dict[str, str]) -> None:
    """The table's factors follow from the Fisher matrix at some start phase (short records depend on it)."""
    found = np.array([fisher(int(row["samples"]), float(row["cycles"]), p) for p in np.linspace(0, np.pi, 721)])
    for column, name in enumerate(("amplitude_factor", "frequency_factor")):
        if row[name]:
            assert found[:, column].min() - 5e-4 <= float(row[name]) <= found[:, column].max() + 5e-4


def test_five_samples_four_parameters() -> None:
    """Published example: five samples at 10 a second hold 4 Hz, amplitude 2, phase 0.75 (sine), mean near 0."""
    v = np.array([[1.3633, -0.2428, -0.9705, 1.8130, -1.9631]])
    hz = pooled_frequency(v, 10.0, harmonics=1).frequency_hz
    found = fit(v[:, None, :], 10.0, hz, harmonics=1)
    start = found.fundamental[0, 0] * np.exp(-2j * np.pi * hz * 0.2)
    assert hz == pytest.approx(4.0, abs=5e-5)
    assert abs(start) == pytest.approx(2.0, abs=5e-5)
    assert np.angle(start * 1j) == pytest.approx(0.75, abs=5e-5)
    assert found.dc[0, 0] == pytest.approx(-2.28e-5, abs=5e-7)


def records(n: int, m: int, hz: float, rng: np.random.Generator, sigma: float, rate: float = 250e3) -> np.ndarray:
    t = np.arange(m) / rate
    return 4 * np.cos(2 * np.pi * hz * t + rng.uniform(0, 2 * np.pi, (n, 1))) + rng.normal(0, sigma, (n, m))


def test_fit_is_at_the_bound() -> None:
    """Amplitude variance of the fit equals 2 s^2/N within what 4000 records can tell, and so does its own figure."""
    rng = np.random.default_rng(1)
    found = fit(records(4000, 250, 9913.7, rng, 0.01)[:, None, :], 250e3, 9913.7)
    bound = 0.01 * math.sqrt(2 / 250)
    assert np.std(np.abs(found.fundamental)) == pytest.approx(bound, rel=0.05)
    assert np.mean(found.u_amplitude) == pytest.approx(bound, rel=0.03)


def test_pooled_frequency_is_at_the_bound() -> None:
    """The pooled frequency's error and its stated u agree with sqrt(24 s^2/(A^2 N^3 n)), far below 0.1 ppm."""
    bound = math.sqrt(24 * 0.004**2 / (16 * 1000.0**3 * 50)) * 250e3 / (2 * math.pi)
    errors = []
    for seed in range(40):
        found = pooled_frequency(records(50, 1000, 9913.7, np.random.default_rng(seed), 0.004), 250e3)
        errors.append(found.frequency_hz - 9913.7)
        assert found.u_hz == pytest.approx(bound, rel=0.05)
    assert np.sqrt(np.mean(np.square(errors))) == pytest.approx(bound, rel=0.35)


def test_ratio_is_at_the_bound() -> None:
    """Each part of a complex ratio has the variance 2 s^2 (1 + |r|^2)/(N |E|^2)."""
    rng = np.random.default_rng(3)
    exc = records(3000, 500, 9913.7, rng, 0.0)
    both = np.stack([exc + rng.normal(0, 0.01, exc.shape), 0.3 * exc + rng.normal(0, 0.01, exc.shape)], axis=1)
    found = fit(both, 250e3, 9913.7)
    ratios = found.fundamental[:, 1] / found.fundamental[:, 0]
    assert np.var(ratios.real) == pytest.approx(2 * 0.01**2 * (1 + 0.09) / (500 * 16), rel=0.08)


def test_basis_reads_off_the_phasor() -> None:
    """P = a + j b of cos and -sin columns: x = Re(P e^{jwt}) with t from the record's centre."""
    columns = basis(10.0, 1000.0, 101, (1,))
    t = (np.arange(101) - 50) / 1000
    wanted = np.real((2 + 3j) * np.exp(2j * np.pi * 10 * t))
    assert columns @ np.array([0.0, 2.0, 3.0]) == pytest.approx(wanted, abs=1e-12)
