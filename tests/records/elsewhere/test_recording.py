"""A file becomes what a bench run gives: series, positions in steps, four channels, and the list of what it lacks."""

from __future__ import annotations

import numpy as np
import pytest

from rig.errors import UsageError
from rig.observed import Absent
from rig.records.elsewhere.placeholders import STEPS_PER_TURN
from rig.records.elsewhere.recording import (
    RecordingFacts,
    passes,
    phasors_observed,
    sweep_observed,
    waves_observed,
)
from rig.records.elsewhere.tables import PhasorTable, SweepFile, WaveTable, stack_of_volts


def sweep_file(positions: list[float], names: tuple[str, ...] = ("exc", "sin", "cos")) -> SweepFile:
    volts = np.random.default_rng(1).standard_normal((len(positions), len(names), 40))
    return SweepFile(source="made", positions_mech_deg=np.array(positions), stack=stack_of_volts(volts, names, 1e5))


@pytest.mark.parametrize(
    ("positions", "series"),
    [
        ([0, 90, 180, 270], {"sweep_ccw": [0, 1, 2, 3]}),
        ([270, 180, 90, 0], {"sweep_cw": [0, 1, 2, 3]}),
        ([0, 180, 360, 180, 0], {"sweep_ccw": [0, 1, 2], "sweep_cw": [3, 4]}),
        ([0, 180, 360, 360, 180, 0], {"sweep_ccw": [0, 1, 2], "sweep_cw": [3, 4, 5]}),
        ([360, 180, 0, 180, 360], {"sweep_cw": [0, 1, 2], "sweep_ccw": [3, 4]}),
        ([90, 0, 270, 180], {"sweep_ccw": [0, 1, 2, 3]}),
        ([0, 0, 0], {"sweep_ccw": [0, 1, 2]}),
    ],
)
def test_positions_make_the_passes(positions: list[float], series: dict[str, list[int]]) -> None:
    """Rising and falling positions are two passes; the turning point's second record begins the way back."""
    assert {name: at.tolist() for name, at in passes(np.array(positions, dtype=float)).items()} == series


def test_a_sweep_has_four_channels_and_steps() -> None:
    """Channels that were not recorded are zero; a closing point is marked; positions are steps of one turn."""
    observed = sweep_observed(sweep_file([0.0, 120.0, 240.0, 360.0], ("cos", "exc", "sin")))
    stack = observed.captures.stack("sweep_ccw")
    assert stack.channels == ("exc_v", "exc_i", "sin", "cos") and not np.any(stack.codes[:, 1])
    rows = observed.capture_readings("sweep_ccw")
    assert [row.conditions["position_steps"] for row in rows] == [
        pytest.approx(x * STEPS_PER_TURN / 3) for x in (0, 1, 2, 3)
    ]
    assert [row.conditions["closing"] for row in rows] == [False, False, False, True]
    assert observed.lacks(Absent.CURRENT) and observed.lacks(Absent.RECORDER) and observed.lacks(Absent.DC)
    assert not observed.lacks(Absent.POSITIONS) and not observed.lacks(Absent.WAVEFORMS)


def test_two_captures_of_two_channels_stand_side_by_side() -> None:
    """Excitation and cosine go beside excitation and sine, at the same positions and no others."""
    first = sweep_file([0.0, 120.0, 240.0], ("exc", "sin"))
    second = sweep_file([0.0, 120.0, 240.0], ("exc", "cos"))
    observed = sweep_observed(first, cosine=second)
    assert observed.captures.series() == ("sweep_ccw", "sweep_ccw_cosine")
    assert np.any(observed.captures.stack("sweep_ccw_cosine").codes[:, 3])
    with pytest.raises(UsageError, match="positions are not those of"):
        sweep_observed(first, cosine=sweep_file([0.0, 120.0, 250.0], ("exc", "cos")))


def test_phasors_lack_waveforms_and_tell_an_excitation_that_was_not_recorded() -> None:
    """A table has no rails and no frequency; an excitation equal in every row was written down, not recorded."""
    turn = np.exp(1j * np.arange(6))
    table = PhasorTable(
        source="made",
        stepper_mech_deg=np.arange(6) * 60.0,
        exc=np.full(6, 7.0 + 0j),
        sine=turn,
        cosine=turn,
        lines=np.arange(6) + 2,
        digit_v=5e-5,
    )
    observed = phasors_observed(table, RecordingFacts(pole_pairs=3))
    assert observed.lacks(Absent.WAVEFORMS) and observed.lacks(Absent.FREQUENCY) and observed.lacks(Absent.EXCITATION)
    assert observed.has("sweep_ccw") and observed.part.pole_pairs == 3 and observed.digit_v == 5e-5
    assert observed.capture_readings("sweep_ccw")[2].conditions["record"] == 4


def test_a_record_has_no_position() -> None:
    """One record: nobody knows where the rotor stood; a file of fractions of full scale has no volts."""
    table = WaveTable(
        source="made", volts=np.ones((3, 50)), sample_rate_hz=1e5, u_rate_relative=1e-6, scaled=False, rail_v=(-1, 1)
    )
    observed = waves_observed(table)
    assert observed.lacks(Absent.POSITIONS) and observed.lacks(Absent.VOLTS) and not observed.lacks(Absent.RAILS)
    stack = observed.captures.stack("record")
    assert int(stack.codes.max()) == stack.rail_high and observed.u_rate_relative == 1e-6
