"""The one rule for whether two figures are the same, and the order of a budget that does not follow last bits."""

from __future__ import annotations

import math

import pytest

from rig.uncertainty.budget import BudgetLine, largest_first
from rig.uncertainty.sameness import NO_DIFFERENCE, exceeds, same_figure


@pytest.mark.parametrize(
    ("a", "b", "U", "same"),
    [
        (1.0, 1.0 + 0.9e-12, 1e-3, True),
        (1.0, 1.0 + 1.1e-12, 1e-3, False),
        (0.0, 0.9e-12, 1e-3, True),
        (5.0, 5.0 + 4e-9, None, True),
        (5.0, 5.0 + 6e-9, None, False),
        (0.0, 1e-15, None, False),
        (2.0, 2.0, 0.0, True),
        (math.nan, math.nan, 1.0, True),
        (math.nan, 1.0, 1.0, False),
        (math.inf, math.inf, 1.0, True),
    ],
)
def test_a_difference_below_a_thousand_millionth_of_U_is_none(a: float, b: float, U: float | None, same: bool) -> None:
    """1e-9 of U decides; without a U 1e-9 of the figure itself."""
    assert NO_DIFFERENCE == 1e-9
    assert same_figure(a, b, U) is same
    assert same_figure(b, a, U) is same


def test_a_difference_of_just_U_is_not_beyond_it() -> None:
    """What exceeds U by its last bits only does not exceed it."""
    assert not exceeds(1.0 + 1e-12, 1.0)
    assert exceeds(-1.1, 1.0)
    assert not exceeds(0.0, 0.0)


def test_lines_of_equal_contribution_keep_their_order() -> None:
    """The largest comes first; which of two equal ones comes first does not follow their last bits."""

    def line(name: str, u: float) -> BudgetLine:
        return BudgetLine(influence=name, u=u, unit="V", sensitivity=1.0)

    for tip in (-1e-15, 0.0, 1e-15):
        rows = [line("small", 0.1), line("first", 1.0), line("second", 1.0 + tip), line("large", 2.0)]
        assert [row.influence for row in largest_first(rows)] == ["large", "first", "second", "small"]
