"""Rotor turned on the spindle, run-out of the spindle's nose, a knocked stator, a coupling that slipped."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from drivers.simulated.world.axis import AxisPhysics
from drivers.simulated.world.motor_errors import waves
from drivers.simulated.world.part.air_gap import AirGap, seat_of
from drivers.simulated.worldfile.keys import AxisWorld, WorldFile

TURN = np.linspace(0.0, 2.0 * math.pi, 24, endpoint=False)


def world(**keys: Any) -> WorldFile:
    return WorldFile.model_validate(keys)


def permeance(file: WorldFile, clamping: int) -> Any:
    """Of every tooth at spindle angles of a turn, in one clamping."""
    seat = seat_of(file, clamping)
    return AirGap(file, seat).permeance_h(TURN + seat.angle_mech_rad)


def test_the_rotor_turned_ahead_is_the_spindle_turned_ahead() -> None:
    """With nothing that is fixed to the spindle both are the same; the reading rises with the angle."""
    ahead = permeance(world(holder={"stator_clamping": 1, "rotor_deg": 15.0}), 2)
    assert np.allclose(ahead, np.roll(permeance(world(), 1), -1, axis=0), rtol=1e-9)


def test_the_nose_of_the_spindle_stays_where_it_is_when_the_rotor_is_turned() -> None:
    """Its run-out follows the spindle, a part's own run-out the rotor."""
    still = world(holder={"stator_clamping": 1, "centring_sigma_mm": 0.0}, part={"lobe_mm": 0.0, "gap_scatter": 0.0})
    for keys, follows in (({"axis": {"runout_mm": 0.02}}, False), ({"part": {"faults": {"runout_mm": 0.02}}}, True)):
        data = still.model_dump()
        for section, values in keys.items():
            data[section] = {**data[section], **values}
        first = permeance(WorldFile.model_validate(data), 1)
        data["holder"]["rotor_deg"] = 90.0
        turned = permeance(WorldFile.model_validate(data), 2)
        closest = first[0] if not follows else np.roll(first, -6, axis=0)[0]
        assert np.ptp(first[0]) > 0.0
        angle = seat_of(still, 1).angle_mech_rad
        assert angle == pytest.approx(seat_of(still, 2).angle_mech_rad)
        assert np.allclose(turned[0], closest, rtol=1e-9)


def test_a_stator_that_stays_is_the_first_clampings_and_a_knock_moves_it_by_its_size() -> None:
    """Every later clamping is knocked another way, by the same distance."""
    file = world(holder={"stator_clamping": 3, "knock_mm": 0.01, "rotor_seat_mm": 0.014})
    first = seat_of(file, 3)
    ways = []
    for clamping in (4, 5):
        now = seat_of(file, clamping)
        apart = now.offset_mm * np.exp(1j * now.offset_rad) - first.offset_mm * np.exp(1j * first.offset_rad)
        assert abs(apart) == pytest.approx(0.01)
        assert now.axial_mm == first.axial_mm
        assert now.rotor_mm != first.rotor_mm
        ways.append(float(np.angle(apart)))
    assert ways[0] != ways[1]


def test_a_coupling_that_slipped_turns_order_50_by_fifty_times_as_much() -> None:
    """From its clamping on; before it the axis is what it was."""
    axis = AxisWorld(coupling_slip_deg=1.0, coupling_slips_at=2)
    before, after = waves(axis, 7, 1), waves(axis, 7, 2)
    assert before == waves(AxisWorld(), 7, 9)
    assert math.degrees(after[0][2] - before[0][2]) == pytest.approx(50.0)
    physics = AxisPhysics(axis, 7, np.random.default_rng(0), clamping=2)
    assert physics._waves == after


def test_worlds_without_these_keys_are_what_they_were() -> None:
    """Seats of three clampings, drawn before the keys came (2026-12-01)."""
    seats = [seat_of(world(seed=6), clamping) for clamping in (1, 2)]
    assert all(seat.rotor_mm == 0 and seat.spindle_mm == 0 and seat.rotor_rad == 0 for seat in seats)
    draws = np.random.default_rng((6, 11, 2)).standard_normal(4)
    assert seats[1].offset_mm == pytest.approx(0.01 * math.hypot(draws[0], draws[1]), rel=1e-12)
    assert math.degrees(seats[1].angle_mech_rad) == pytest.approx(0.2 * draws[3], rel=1e-12)
