"""The seat read from the turn of a part whose true seat is known."""

from __future__ import annotations

import math

import pytest
from observed_from_world import full_test

from drivers.simulated.world.part.air_gap import seat_of
from drivers.simulated.worldfile.keys import load_world
from rig.evaluation.evaluated import evaluate
from rig.evaluation.inspection.inspection import Inspection
from rig.soundness.seating import seat

GAP_MM, SHAPE = 0.7, 0.54
EFFECTIVE_MM = GAP_MM * math.sqrt(1 - SHAPE**2)  # one over the mean of 1 / gap


@pytest.mark.parametrize(
    ("offset_mm", "offset_deg", "seed"), [(0.18, 75.0, 11), (0.12, 300.0, 12), (0.08, 160.0, 13), (0.0, 0.0, 14)]
)
def test_offset_and_direction_are_covered_by_their_uncertainty(offset_mm: float, offset_deg: float, seed: int) -> None:
    """What is seen is right within U in size and direction; what is not seen is smaller than was said."""
    world, _ = load_world(
        "good_2",
        {
            "holder.offset_mm": offset_mm,
            "holder.offset_deg": offset_deg,
            "seed": seed,
            "part.lobe_mm": SHAPE * GAP_MM,
        },
    )
    true = seat_of(world, 1)
    found = seat(Inspection(evaluate(full_test(world.model_dump(), part="KX2-1184"))), EFFECTIVE_MM)
    assert found is not None and found.visible
    assert found.is_offset == (offset_mm > 0.05)
    if not found.is_offset:
        assert true.offset_mm <= max(found.least, found.U) * found.gap_mm
        return
    assert found.offset_mm == pytest.approx(true.offset_mm, abs=found.U_mm)
    toward = math.degrees(true.offset_rad - true.angle_mech_rad)
    apart = min(abs((one - toward + 180.0) % 360.0 - 180.0) for one in found.toward_mech_deg)
    assert apart < found.U_toward_mech_deg + 1.0
