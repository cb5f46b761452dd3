"""More published worked examples: second order, trials near zero, logarithm, thermal expansion, joint coverage."""

import math

import numpy as np
import pytest

from rig.uncertainty.budget import BudgetLine, combine
from rig.uncertainty.coverage import coverage_factor, effective_dof


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


def test_sum_of_four_normals() -> None:
    """JCGM 101 9.2.2: u = 2.0."""
    lines = [BudgetLine(influence=str(i), u=1.0, unit="1", sensitivity=1.0) for i in range(4)]
    assert combine(lines).u == pytest.approx(2.0, abs=0.005)


def test_joint_coverage_of_two_results() -> None:
    """JCGM 102: two results together at 95 % by intervals of their own need k = 2.24."""
    assert coverage_factor(math.inf, 1 - 0.05 / 2) == pytest.approx(2.24, abs=0.005)
