"""The nudge by the signal: which winding shows centring, which direction one nudge leaves, what the seat explains."""

from __future__ import annotations

import cmath
import math

import pytest

from rig.answer import LineFigure
from rig.resolver.model import Design
from rig.soundness.seating import Seat, _curvature, advice, explained, tell_apart


def seat(mm: float, toward: tuple[float, ...], *, least: float = 0.05, u: float = 0.02) -> Seat:
    return Seat(
        offset=mm / 0.6,
        U=u,
        least=least,
        toward_mech_deg=toward,
        gap_mm=0.6,
        u_gap_mm=0.1,
        left=0.001,
        left_centred=0.01,
    )


def test_few_teeth_show_centring_and_many_do_not() -> None:
    """Two pole pairs on eight teeth leave ten times what four on sixteen leave, and one pole pair most of all."""
    two, four, one = (_curvature(Design(pole_pairs=p, teeth=z, r=0.1)) for p, z in ((2, 8), (4, 16), (1, 8)))
    assert two > 10 * four
    assert one > two


@pytest.mark.parametrize("truth", [30.0, 210.0])
def test_one_nudge_tells_the_directions_apart(truth: float) -> None:
    """A nudge toward 30 deg leads to a larger or a smaller offset by where the stator really was."""
    before = seat(0.15, (30.0, 210.0))
    moved = cmath.rect(0.10, math.radians(30.0))
    left = cmath.rect(0.15, math.radians(truth)) - moved
    toward = math.degrees(cmath.phase(left)) % 360.0
    now = tell_apart(before, moved, seat(abs(left), tuple(sorted((toward, (toward + 180.0) % 360.0)))))
    assert now.toward_mech_deg == (pytest.approx(toward),)


def test_the_advice_says_size_direction_and_doubt() -> None:
    """mm with U, deg mech from the index, and that two directions look alike."""
    told = " ".join(advice(seat(0.15, (30.0, 210.0))))
    assert "0.15 mm (U" in told and "30 or 210 deg mech from the index" in told and "alike" in told


def test_a_winding_that_hides_centring_is_told() -> None:
    """No nudge is made up where the winding shows none."""
    (told,) = advice(seat(0.15, (30.0,), least=0.2))
    assert "does not show centring" in told and "Move" not in told
    assert "can't be read" in advice(None)[0]


def test_a_centred_part_needs_no_nudge() -> None:
    """An offset below the smallest that is seen is none."""
    (told,) = advice(seat(0.02, (30.0,)))
    assert "no nudge" in told


def test_what_came_with_the_seat_and_what_stays() -> None:
    """The change between two clampings is the seat's, seen only beyond its U; the rest is part and axis."""
    before = {"error_max_elec_arcmin": LineFigure(estimate=180.0, U=4.0, unit="arcmin")}
    now = {"error_max_elec_arcmin": LineFigure(estimate=5.0, U=3.0, unit="arcmin")}
    (row,) = explained(before, now)
    assert row["seat"] == 175.0 and row["seat_seen"] and row["U_seat"] == 5.0
    assert row["part"] == 5.0
    (same,) = explained(now, now)
    assert not same["seat_seen"]


def test_a_direction_is_as_sure_as_the_size() -> None:
    """An offset of twice its U leaves the direction open by 27 deg."""
    assert seat(0.12, (30.0,), u=0.1).U_toward_mech_deg == pytest.approx(26.6, abs=0.1)
