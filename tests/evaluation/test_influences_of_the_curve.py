"""What a channel's gain does to the figures of an error curve, and what the choice of orders leaves uncertain."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from rig.evaluation.angle.influences import gain_in_rms, mixed_by_gain
from rig.evaluation.results import ARCMIN_PER_RAD
from rig.evaluation.sampler.excitation import _scatter_of_median, scatter_of_mean
from rig.evaluation.turn.envelopes import pruned
from rig.resolver.turn.orders import fit_orders

EVEN = 2.0 * np.pi * np.arange(160) / 160


def curve_of(amplitudes: dict[int, float], rms: float) -> tuple[Any, Any]:
    """(figures, curve) of two pole pairs; an amplitude at order 4 stands along a gain's wave."""
    values = sum(size * np.sin(order * EVEN) for order, size in amplitudes.items()) + 0.0 * EVEN
    model = fit_orders(EVEN, values, range(1, 13))
    curve = SimpleNamespace(zero_elec_rad=0.0, found=SimpleNamespace(direction=1))
    return cast(Any, SimpleNamespace(model=model, rms=rms)), cast(Any, curve)


def test_a_gain_larger_than_the_curve_adds_its_own_power() -> None:
    """Curve of 3', a gain's wave of standard uncertainty 12': without the wave of 24' the root of 3^2 + 24^2 / 2."""
    got, curve = curve_of({3: 3.0 * math.sqrt(2.0)}, 3.0)
    expected = (math.sqrt(9.0 + 288.0) - 3.0) / 2.0 / 12.0
    assert gain_in_rms(got, 4, curve, 12.0) == pytest.approx(expected, rel=0.01)


def test_a_small_gain_counts_by_the_order_that_stands_along_it() -> None:
    """Order 2p of 10' alone, a wave of 0.02': the rms follows by a / (2 rms) = 0.707."""
    got, curve = curve_of({4: 10.0}, 10.0 / math.sqrt(2.0))
    assert gain_in_rms(got, 4, curve, 0.02) == pytest.approx(math.sqrt(0.5), rel=0.01)
    assert gain_in_rms(got, 14, curve, 0.02) == 0.71, "an order that was not fitted counts in full"


def test_a_gain_mixes_an_order_into_those_2p_beside_it() -> None:
    """Two pole pairs, orders 2 of 60' and 6 of 80': order 2 gets from both, order 6 from order 2, order 10 from 6."""
    got, _ = curve_of({2: 60.0, 6: 80.0}, 1.0)
    assert mixed_by_gain(got.model, 2, 2) == pytest.approx(100.0 / ARCMIN_PER_RAD, rel=1e-6)
    assert mixed_by_gain(got.model, 6, 2) == pytest.approx(60.0 / ARCMIN_PER_RAD, rel=1e-6)
    assert mixed_by_gain(got.model, 10, 2) == pytest.approx(80.0 / ARCMIN_PER_RAD, rel=1e-6)
    assert mixed_by_gain(got.model, 1, 2) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(
    ("hidden", "least", "most"), [(0.0, 0.945, 0.99), (1.2, 0.89, 0.97)], ids=["noise alone", "six orders below it"]
)
def test_the_band_of_chosen_orders_holds_the_truth(hidden: float, least: float, most: float) -> None:
    """A wave beside 30 orders of noise: in 400 trials the value at a place lies within 2 u at least as often as a right
    u says. Six more orders of the part, whose power together is below what the noise's own scatters by, can't be seen;
    there it is nine times in ten."""
    rng, place, inside = np.random.default_rng(11), np.array([0.4]), 0
    u_order = math.sqrt(2.0 / EVEN.size)
    for _ in range(400):
        truth = np.zeros(32, dtype=np.complex128)
        truth[2] = 40.0 * u_order
        truth[20:26] = hidden * u_order * np.exp(2j * math.pi * rng.random(6))
        waves = np.exp(1j * np.outer(np.append(EVEN, place), np.arange(32)))
        true = (waves @ truth).real
        fit = pruned(EVEN, true[:-1] + rng.standard_normal(EVEN.size), range(1, 32))
        away = float(fit.evaluate(place)[0]) - float(true[-1])
        inside += away**2 <= 4.0 * float(fit.variance(place)[0])
    assert least <= inside / 400 <= most


def test_a_slow_change_is_no_scatter_of_the_mean() -> None:
    rng = np.random.default_rng(6)
    slow = 20.0 * np.sin(np.arange(400) / 64.0)
    noise = [scatter_of_mean(rng.standard_normal(400) + slow) for _ in range(40)]
    assert np.mean(noise) == pytest.approx(1.0 / 20.0, rel=0.06)


def test_a_median_scatters_by_the_root_of_half_pi_more_than_a_mean() -> None:
    draws = np.random.default_rng(7).standard_normal((2000, 101))
    stated = np.mean([_scatter_of_median(row) for row in draws[:50]])
    assert stated == pytest.approx(float(np.std(np.median(draws, axis=1))), rel=0.06)
