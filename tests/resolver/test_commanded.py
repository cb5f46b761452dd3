"""What the electrical angle says of the commanded positions."""

from __future__ import annotations

import math

import numpy as np
import pytest

from rig.errors import UsageError
from rig.resolver.turn.angle import wrap
from rig.resolver.turn.commanded_positions import commanded_scale, electrical_places, half_turn_flips, two_speeds
from rig.resolver.turn.ellipse import fit_ellipse

RNG = np.random.default_rng(9)


@pytest.mark.parametrize(("points", "pole_pairs", "places"), [(24, 6, 4), (24, 4, 6), (24, 1, 24), (320, 1, 32)])
def test_places_are_counted_not_points(points: int, pole_pairs: int, places: int) -> None:
    """24 points of six pole pairs show four places of the electrical turn, wherever they stand on it."""
    for start in (0.0, 0.02, 1.0, 2 * math.pi - 0.01):
        theta = pole_pairs * np.arange(points) * 2 * np.pi / points + start + 1e-3 * RNG.standard_normal(points)
        found = electrical_places(theta)
        assert found == places if places < 30 else found >= places


def test_an_ellipse_needs_six_places() -> None:
    """Four places fix no ellipse: the fit says so and draws none 57 deg out of square."""
    theta = 6 * np.arange(24) * 2 * np.pi / 24 + 0.4
    with pytest.raises(UsageError, match="24 points show 4 places"):
        fit_ellipse(np.sin(theta) + 1e-4 * RNG.standard_normal(24), np.cos(theta) + 1e-4 * RNG.standard_normal(24))


@pytest.mark.parametrize("scale", [1.0, 0.975, 1.03])
@pytest.mark.parametrize("pole_pairs", [1, 2, 4])
def test_the_scale_is_found_beside_the_parts_own_orders(scale: float, pole_pairs: int) -> None:
    """Two degrees of error at any order are no wrong scale; a wrong scale is found to its own uncertainty."""
    theta = np.arange(160) * 2 * np.pi / 160
    for order in (1, 3, 2 * pole_pairs, 7, 15):
        error = math.radians(2.0) * np.sin(order * theta + 0.7) + 1e-4 * RNG.standard_normal(160)
        away = wrap(pole_pairs * (scale - 1.0) * theta + error)
        found = commanded_scale(theta, away, pole_pairs, range(1, 41))
        assert found.per_turn == pytest.approx(pole_pairs * scale, abs=max(1e-3, 4 * found.u))


def test_half_turns_are_found_whatever_their_share() -> None:
    """A third or half of the points half a turn off: those points and the true pole pairs; none where none is."""
    theta = np.arange(120) * 2 * np.pi / 120
    elec = wrap(3 * theta + 0.2)
    assert half_turn_flips(elec, theta) is None
    for share in (0.02, 0.3, 0.5):
        off = RNG.random(120) < share
        off[5] = True
        found = half_turn_flips(wrap(elec + np.pi * off), theta)
        assert found is not None and found[0].value == 3
        assert np.array_equal(found[1], off) or np.array_equal(found[1], ~off)


def test_two_speeds_of_one_part() -> None:
    """One and eight cycles a turn side by side; one alone has no second speed."""
    theta = np.arange(160) * 2 * np.pi / 160
    assert two_speeds(theta, np.sin(theta), np.cos(theta), 160) is None
    assert two_speeds(theta, np.sin(theta) + 0.6 * np.sin(8 * theta), np.cos(theta) + 0.6 * np.cos(8 * theta), 160) == (
        1,
        8,
    )


def test_places_are_counted_the_same_wherever_the_turn_begins() -> None:
    """Points in two groups 150 deg apart, 9 deg within a group: the count does not change as the circle is turned."""
    points = np.radians([0.0, 9.0, 18.0, 27.0, 177.0, 186.0, 195.0])
    counts = {electrical_places(points + np.radians(turn)) for turn in range(0, 360, 7)}
    assert len(counts) == 1 and 2 <= counts.pop() <= 7


def test_points_half_a_turn_off_leave_the_pole_pairs_and_name_themselves() -> None:
    """Three of forty points half an electrical turn off, four pole pairs, either direction."""
    theta = 2 * math.pi * np.arange(40) / 40
    for direction in (1, -1):
        electrical = direction * 4 * theta + 0.3
        electrical[[5, 6, 21]] += math.pi
        found = half_turn_flips(np.angle(np.exp(1j * electrical)), theta)
        assert found is not None
        pairs, off = found
        assert (pairs.value, pairs.direction, np.flatnonzero(off).tolist()) == (4, direction, [5, 6, 21])
        assert abs(pairs.per_turn) == pytest.approx(4.0, abs=1e-3)
