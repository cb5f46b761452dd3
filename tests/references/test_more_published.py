"""More published worked examples: second order, trials near zero, logarithm, thermal expansion, joint coverage."""

import math

import numpy as np
import pytest

from rig.uncertainty.budget import BudgetLine, combine
from rig.uncertainty.evaluate import rectangular
from rig.uncertainty.monte_carlo import joint_normal, normal, rectangular_draw, summary, trials
from rig.uncertainty.propagate import coverage_factor, effective_dof, linear


def test_second_order_of_the_gauge_block() -> None:
    """GUM H.1.7: with the products of small influences u is 34 nm, not 32 nm."""
    spreads = [25.0, 9.7, rectangular(2e-6), rectangular(1e-6), 0.41, rectangular(0.05)]
    means = [50_000_623.0, 215.0, 11.5e-6, 0.0, -0.1, 0.0]
    draws = [normal(m, u) for m, u in zip(means, spreads, strict=True)]

    def length(ls, d, alpha, d_alpha, theta, d_theta):
        return ls + d - ls * (d_alpha * theta + alpha * d_theta)

    found = summary(trials(length, draws, np.random.default_rng(17), 400_000))
    assert found.u == pytest.approx(34.0, abs=0.5)
    first = linear(lambda x: length(*x), means, np.diag(np.square(spreads)))
    assert first.u[0] == pytest.approx(32.0, abs=0.5)


def test_expanded_uncertainty_by_effective_dof() -> None:
    """GUM G.4.1: 19.0 degrees of freedom, U95 = 2.2 %; two more sums by the same law."""
    lines = [
        BudgetLine(influence=str(dof), u=u, unit="%", sensitivity=1.0, dof=dof)
        for u, dof in ((0.25, 9.0), (0.57, 4.0), (0.82, 14.0))
    ]
    found = combine(lines)
    assert found.dof == pytest.approx(19.0, abs=0.05)
    assert found.u * coverage_factor(found.dof, 0.95) == pytest.approx(2.2, abs=0.05)
    assert effective_dof([0.57, 0.25], [9, math.inf]) == pytest.approx(12.8, abs=0.1)
    parts = np.array([0.1, 0.3, 0.2, 1.1]) * [1, 2, 3, 0.5]
    assert effective_dof(parts, [math.inf, 6, 8, 3]) == pytest.approx(15.608, abs=5e-4)


def test_thermal_expansion() -> None:
    """NIST TN 1900, thermal expansion of a copper rod: 17.266e-6 per kelvin, u = 1.76e-6."""
    inputs = [1.4999, 288.15, 1.5021, 373.10]
    u = [1e-4, 0.02, 2e-4, 0.05]
    found = linear(lambda x: (x[2] - x[0]) / (x[0] * (x[3] - x[1])), inputs, np.diag(np.square(u)))
    assert found.value[0] == pytest.approx(1.7266e-5, abs=1e-9)
    assert found.u[0] == pytest.approx(1.76e-6, abs=1e-8)


def test_sum_of_four_normals() -> None:
    """JCGM 101 9.2.2: u = 2.0."""
    lines = [BudgetLine(influence=str(i), u=1.0, unit="1", sensitivity=1.0) for i in range(4)]
    assert combine(lines).u == pytest.approx(2.0, abs=0.005)


def test_logarithm_of_an_even_input() -> None:
    """First order says -0.511 with u = 0.481; trials say -0.665 with u = 0.606."""
    law = linear(lambda x: math.log(x[0]), [0.6], np.array([[rectangular(0.5) ** 2]]))
    assert (law.value[0], law.u[0]) == (pytest.approx(-0.511, abs=0.001), pytest.approx(0.481, abs=0.001))
    found = summary(trials(np.log, [rectangular_draw(0.6, 0.5)], np.random.default_rng(6), 2_000_000))
    assert (found.mean, found.u) == (pytest.approx(-0.665, abs=0.0015), pytest.approx(0.606, abs=0.0015))


def test_mass_calibration() -> None:
    """JCGM 101 9.3: first order 0.0539 mg leaves out the air's buoyancy, which trials (0.0754 mg) show."""

    def deviation(reference, added, air, weight_density, reference_density):
        lift = (air - 1.2) * (1 / weight_density - 1 / reference_density)
        return (reference + added) * (1 + lift) - 100_000.0

    means = [100_000.0, 1.234, 1.2, 8000.0, 8000.0]
    u = [0.05, 0.02, rectangular(0.1), rectangular(1000.0), rectangular(50.0)]
    law = linear(lambda x: deviation(*x), means, np.diag(np.square(u)))
    assert law.u[0] == pytest.approx(0.0539, abs=5e-5)
    draws = [normal(means[0], u[0]), normal(means[1], u[1]), rectangular_draw(1.2, 0.1)]
    draws += [rectangular_draw(8000.0, 1000.0), rectangular_draw(8000.0, 50.0)]
    found = summary(trials(deviation, draws, np.random.default_rng(93), 1_000_000))
    assert found.u == pytest.approx(0.0754, abs=3e-4)


def test_modulus_and_phase_with_correlation() -> None:
    """JCGM 102 9.3, x = 0.010 and r = 0.9: modulus 0.015, phase -0.343 rad with u = 0.903 rad."""
    tied = np.array([[1e-4, 0.9e-4], [0.9e-4, 1e-4]])
    z = joint_normal([0.010, 0.0], tied)(np.random.default_rng(103), 1_000_000)
    modulus, phase = np.hypot(z[:, 0], z[:, 1]), np.arctan2(z[:, 1], z[:, 0])
    assert np.mean(modulus) == pytest.approx(0.015, abs=5e-4)
    assert np.mean(phase) == pytest.approx(-0.343, abs=0.005)
    assert np.std(phase) == pytest.approx(0.903, abs=0.002)


def test_joint_coverage_of_two_results() -> None:
    """JCGM 102: two results together at 95 % by intervals of their own need k = 2.24."""
    assert coverage_factor(math.inf, 1 - 0.05 / 2) == pytest.approx(2.24, abs=0.005)
