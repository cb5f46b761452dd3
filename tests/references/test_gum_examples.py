"""The uncertainty engine against published worked examples (GUM, its supplements, EA-4/02), GTC as second opinion."""

import math

import GTC
import pytest
from published import agree, rows

from rig.uncertainty.budget import BudgetLine, combine
from rig.uncertainty.coverage import coverage_factor, effective_dof


def line(influence: str, u: float, sensitivity: float = 1.0, dof: float = math.inf) -> BudgetLine:
    return BudgetLine(influence=influence, u=u, unit="1", sensitivity=sensitivity, dof=dof)


def test_gauge_block_budget() -> None:
    """GUM H.1: u = 32 nm with 16 degrees of freedom, U99 = 93 nm."""
    d = combine([line("repeat", 5.8, dof=24), line("random", 3.9, dof=5), line("systematic", 6.7, dof=8)])
    agree("h1", u_d_nm=d.u, dof_d=d.dof)
    whole = combine(
        [
            line("standard", 25, dof=18),
            line("difference", d.u, dof=d.dof),
            line("expansion difference", 1e-6 / math.sqrt(3), 0.1 * 50_000_623, 50),
            line("temperature difference", 0.05 / math.sqrt(3), -50_000_623 * 11.5e-6, 2),
        ]
    )
    dof = math.floor(whole.dof)  # the GUM truncates before it looks the factor up
    agree("h1", u_nm=whole.u, dof=dof, U99_nm=coverage_factor(dof, 0.99) * whole.u)


def test_welch_satterthwaite_example() -> None:
    """GUM G.4.1: 0.25, 0.57 and 0.82 % with 9, 4 and 14 degrees of freedom give 19."""
    agree("g4", dof=effective_dof([0.25, 0.57, 0.82], [9, 4, 14]))


@pytest.mark.parametrize("row", rows("coverage_factors"))
def test_coverage_factors(row: dict[str, str]) -> None:
    """k at 95.45 % and at 95 % are different numbers, and both are right."""
    assert coverage_factor(float(row["dof"])) == pytest.approx(float(row["k9545"]), abs=0.005)
    assert coverage_factor(float(row["dof"]), 0.95) == pytest.approx(float(row["k95"]), abs=0.005)


def test_a_budget_as_gtc_has_it() -> None:
    """Independent influences with few degrees of freedom: u, degrees of freedom and k agree with a second program."""
    rows_ = [(0.25, 1.5, 9.0), (0.57, -0.8, 4.0), (0.82, 0.3, 14.0), (0.1, 2.0, math.inf)]
    lines = [line(str(i), u, sensitivity, dof) for i, (u, sensitivity, dof) in enumerate(rows_)]
    oracle = sum(sensitivity * GTC.ureal(0.0, u, dof) for u, sensitivity, dof in rows_)
    found = combine(lines)
    assert found.u == pytest.approx(GTC.uncertainty(oracle), rel=1e-12)
    assert found.dof == pytest.approx(GTC.dof(oracle), rel=1e-9)
    assert found.k == pytest.approx(GTC.reporting.k_factor(GTC.dof(oracle), 95.45), rel=1e-6)
