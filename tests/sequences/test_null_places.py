"""Where the next full test rests: at every null of both outputs, and between them where these are few."""

from __future__ import annotations

import pytest

from sequences.steps.nulls import PLACES, null_places

TURN = 3200


@pytest.mark.parametrize("pole_pairs", [1, 2, 3, 4, 5, 7])
def test_every_null_is_a_place_and_the_turn_has_enough_of_them(pole_pairs: int) -> None:
    """All nulls, whole steps within a turn, ascending, once each, at least PLACES, gaps alike."""
    nulls = [round(TURN * (i + 0.31) / (4 * pole_pairs)) for i in range(4 * pole_pairs)]
    places = null_places(nulls[::-1], TURN)
    assert set(nulls) <= set(places) and places == sorted(set(places))
    assert len(places) >= PLACES and places[0] >= 0 and places[-1] < TURN
    gaps = [b - a for a, b in zip(places, [*places[1:], places[0] + TURN], strict=True)]
    assert max(gaps) <= min(gaps) + 2


def test_nulls_beyond_the_turn_count_within_it_and_none_gives_no_place() -> None:
    """A null at the index may come out a turn further; an output without a null is left to evaluation."""
    assert null_places([TURN, 800, 1600, 2400], TURN)[0] == 0
    assert null_places([], TURN) == []
