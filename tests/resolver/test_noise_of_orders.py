"""The scatter of fitted orders: lines that every turn repeats are none, noise counts where it is."""

from __future__ import annotations

import numpy as np
import pytest

from rig.resolver.turn.noise import are_even, noise_of, parameter_shifts, without_lines
from rig.resolver.turn.orders import fit_orders

EVEN = 2.0 * np.pi * np.arange(240) / 240
ORDERS = [1, 2, 3, 4]
SIGMA = 1e-3


def _values(seed: int, line: float) -> np.ndarray:
    noise = SIGMA * np.random.default_rng(seed).standard_normal(EVEN.size)
    return np.cos(2 * EVEN) + line * np.cos(50 * EVEN + 0.3) + line * np.cos(87 * EVEN) + noise


@pytest.mark.parametrize("line", [0.0, 0.3], ids=["noise alone", "two lines 300 times the noise"])
def test_the_noise_is_found_whatever_lines_are_left_over(line: float) -> None:
    """Its rms over twenty draws is right within 3 per cent; without it a fit would state 200 times as much."""
    found = []
    for seed in range(20):
        values = _values(seed, line)
        fit = fit_orders(EVEN, values, ORDERS)
        found.append(float(np.mean(noise_of(EVEN, values, fit) ** 2)))
        if line:
            assert fit.residual_rms > 200 * SIGMA
    assert np.sqrt(np.mean(found)) == pytest.approx(SIGMA, rel=0.03)


def test_lines_leave_the_covariance_and_not_the_coefficients() -> None:
    values = _values(1, 0.3)
    fit = fit_orders(EVEN, values, ORDERS)
    quiet = without_lines(EVEN, values, fit)
    assert quiet.coefficients == pytest.approx(fit.coefficients)
    assert quiet.residual_rms == fit.residual_rms
    assert quiet.u_amplitude(2) == pytest.approx(SIGMA * np.sqrt(2 / 240), rel=0.15)
    assert fit.u_amplitude(2) > 200 * quiet.u_amplitude(2)


def test_on_uneven_places_everything_left_over_counts() -> None:
    """A line is not orthogonal to the fit there: what it does to it can't be told from noise."""
    places = np.delete(EVEN, slice(40, 60))
    values = np.delete(_values(2, 0.3), slice(40, 60))
    fit = fit_orders(places, values, ORDERS)
    assert not are_even(places) and are_even(EVEN[::-1]) and are_even(EVEN + 7.0)
    rms = float(np.sqrt(np.mean(noise_of(places, values, fit) ** 2)))
    assert rms == pytest.approx(fit.residual_rms, rel=1e-9)


def test_few_orders_left_free_show_no_line() -> None:
    """Twenty places and four orders leave five free: a line there counts as noise."""
    places = 2.0 * np.pi * np.arange(20) / 20
    values = np.cos(2 * places) + 0.1 * np.cos(7 * places)
    fit = fit_orders(places, values, ORDERS)
    assert float(np.sqrt(np.mean(noise_of(places, values, fit) ** 2))) == pytest.approx(fit.residual_rms, rel=1e-9)


def test_jitter_of_the_positions_moves_the_phase_more_than_the_amplitude() -> None:
    """Positions that jitter by s move sin(t) by s cos(t): the amplitude scatters by s / sqrt(2 n), the phase by
    sqrt(3) times as much. 300 trials hold both within a tenth, and so does the scatter stated of each."""
    jitter, rng = 1e-3, np.random.default_rng(3)
    seen, stated = [], []
    for _ in range(300):
        values = np.sin(EVEN + jitter * rng.standard_normal(EVEN.size))
        fit = fit_orders(EVEN, values, ORDERS)
        seen.append([fit.coefficients[0].imag, fit.coefficients[0].real])
        by_place = parameter_shifts(EVEN, noise_of(EVEN, values, fit), fit)
        stated.append([np.sum(by_place[2] ** 2), np.sum(by_place[1] ** 2)])
    expected = jitter / np.sqrt(2.0 * EVEN.size) * np.array([1.0, np.sqrt(3.0)])
    assert np.std(seen, axis=0) == pytest.approx(expected, rel=0.1)
    assert np.sqrt(np.mean(stated, axis=0)) == pytest.approx(expected, rel=0.05)


def test_a_fit_without_scatter_is_moved_by_nothing() -> None:
    values = np.zeros_like(EVEN)
    fit = fit_orders(EVEN, values, ORDERS)
    assert without_lines(EVEN, values, fit) is fit
    assert np.array_equal(parameter_shifts(EVEN, noise_of(EVEN, values, fit), fit), np.zeros((9, 240)))
