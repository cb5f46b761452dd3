"""A rotor that slips: found, repeated once, never called a failure of the part, and told from drift."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from observed_from_world import Rehearsal, full_test, world_of

from drivers.simulated.world.axis import AxisPhysics
from rig.evaluation.angle.curve import AngleCurve
from rig.evaluation.evaluated import evaluate
from rig.evaluation.inspection.rotor_mark import MARK, MOVED, UNMOVED
from rig.evaluation.turn.slip import DRIFT_ELEC_ARCMIN, SIGMAS, slip_of
from rig.observed import Observed
from rig.result import Judgement
from rig.review.judge import judge

SLIPPED = "rotor-or-axis-slipped"
WORLDS = {"KX4-2207": {}, "KX2-1184": {"pole_pairs": 2, "teeth": 8}}


def swept(faults: dict[str, Any], part: str = "KX4-2207", said: str = "", **header: Any) -> Observed:
    """A full test of a part with these faults; said: what the operator said of the mark."""
    rehearsal = Rehearsal(world_of({"part": {**WORLDS[part], "faults": faults}}), 1, part)
    rehearsal.dc(repeats=1).loopback().excite()
    if said:
        rehearsal.read("manual", "manual", said, "", name=MARK)
    return rehearsal.sweep().impedances().observed(**header)


def codes(judgement: Judgement) -> set[str]:
    """The reasons' codes."""
    return {reason.code for reason in judgement.reasons}


@pytest.mark.parametrize(
    ("slip", "part"), [(1.6, "KX4-2207"), (0.06, "KX4-2207"), (-0.02, "KX4-2207"), (0.02, "KX2-1184")]
)
def test_a_rotor_that_slips_is_unsound_and_never_a_failure(slip: float, part: str) -> None:
    """Every line of the turn loses its verdict, ratio and imbalance too; both pairs of passes are kept and named."""
    obs = swept({"rotor_slip_deg_per_turn": slip}, part)
    judgement = judge(obs)
    assert judgement.outcome == "unsound measurement" and codes(judgement) == {SLIPPED}
    reason = judgement.reasons[0]
    assert "mark across rotor and spindle" in reason.next and "--retest-of" in reason.next
    assert "in the first passes" in reason.evidence and "the axis kept its count" in reason.evidence
    for id_ in ("tr_sin", "tr_imbalance", "null_fund_sin_v", "orthogonality_elec_deg", "error_max_elec_arcmin"):
        line = judgement.line(id_)
        assert line is not None and line.verdict.value in ("not tested", "no limit")
        assert id_ in reason.spoils
    assert not [line for line in judgement.judged if line.verdict.value == "fail"]
    assert not [f for f in judgement.findings if f.code == "loose-rotor"]
    found = evaluate(obs)
    assert found.slip is not None and found.first_slip is not None and obs.has("sweep_cw_again")
    assert found.slip.half_difference_mech_arcmin == pytest.approx(-60.0 * slip, rel=0.05, abs=0.2)


def test_a_slip_that_goes_the_same_way_in_both_passes_is_no_drift(monkeypatch: pytest.MonkeyPatch) -> None:
    """A rotor that falls behind by 0.02 deg in either direction shows in half the sum, and is unsound all the same."""

    def creep(self: Any, move: Any, t: Any) -> Any:
        return move.slip_start_rad + math.radians(0.02) * np.abs(self._motor(move, t) - move.motor_start_rad) / math.tau

    monkeypatch.setattr(AxisPhysics, "_slip", creep)
    obs = swept({"rotor_slip_deg_per_turn": 0.02})
    slip = evaluate(obs).slip
    assert slip is not None and abs(slip.half_difference_mech_arcmin) < slip.limit_mech_arcmin
    assert abs(slip.half_sum_elec_arcmin) > slip.limit_elec_arcmin
    assert codes(judge(obs)) == {SLIPPED}


def test_through_a_reclamping_with_the_mark_unmoved_it_is_the_rotors() -> None:
    """Undecided, with the finding; with the mark moved, or nothing said, or no retest, it stays the clamping's."""
    faults = {"rotor_slip_deg_per_turn": 0.1}
    judgement = judge(swept(faults, said=UNMOVED, retest_of="the first run"))
    assert judgement.outcome == "undecided" and judgement.exit_status == 3
    assert judgement.findings[0].code == "loose-rotor"
    assert judgement.reasons[0].on_part and "It's the part" in judgement.reasons[0].rig_or_part
    for said, header in ((MOVED, {"retest_of": "the first run"}), ("", {"retest_of": "the first run"}), (UNMOVED, {})):
        other = judge(swept(faults, said=said, **header))
        assert other.outcome == "unsound measurement"
        assert not [f for f in other.findings if f.code == "loose-rotor"]


def test_passes_that_close_when_repeated_count() -> None:
    """A knock in the first passes: the repeat closes, is judged, and the closure line says what the first showed."""
    rehearsal = Rehearsal(world_of({"part": {"faults": {"rotor_slip_deg_per_turn": 0.1}}}))
    rehearsal.dc(repeats=1).loopback().excite()
    rehearsal.index("first")
    rehearsal.both_passes("")
    rehearsal.world._axis._slip_rad_per_turn = 0.0
    rehearsal.both_passes("_again")
    judgement = judge(rehearsal.turning().impedances().observed())
    assert judgement.outcome == "within limits" and not judgement.reasons
    closure = judgement.line("closure_mech_arcmin")
    assert closure is not None and "both passes were repeated" in closure.note


def test_what_closure_cannot_see_stands_in_the_budget() -> None:
    """A good run: no repeat, no alarm, and half the limit as a half-width on the error lines."""
    obs = full_test({"seed": 8})
    assert not obs.has("sweep_ccw_again") and SLIPPED not in codes(judge(obs))
    found = evaluate(obs)
    assert found.slip is not None
    line = next(r for r in found.results if r.measurand == "error_max_elec_arcmin")
    row = next(row for row in line.budget if row.influence == "slip not excluded")
    assert row.contribution == pytest.approx(4 * found.slip.limit_mech_arcmin / 2 / math.sqrt(3))
    span = next(r for r in found.results if r.measurand == "error_span_elec_arcmin")
    wide = next(row for row in span.budget if row.influence == "slip not excluded")
    assert wide.contribution == pytest.approx(2 * row.contribution)


def curve_of(up: np.ndarray, down: np.ndarray, ccw: float, cw: float, scatter: float) -> AngleCurve:
    """An error curve with these closures, electrical arcmin."""
    found = evaluate(full_test({"seed": 8})).angle_curve
    assert found is not None
    return replace(found, ccw=up, cw=down, closures_elec_arcmin={"ccw": ccw, "cw": cw}, u_closure_elec_arcmin=scatter)


def test_limits_follow_play_scatter_and_drift() -> None:
    """T = w + 3.3 sigma / p for half the difference; a drift of both passes alike may reach 1' electrical beyond it."""
    flat = np.zeros(320)
    slip = slip_of(curve_of(flat, flat, 1.0, -1.0, 0.05), 0.15)
    assert slip is not None and slip.half_difference_mech_arcmin == pytest.approx(0.25)
    assert slip.limit_mech_arcmin == pytest.approx(0.15 + SIGMAS * 0.05 / 4) and slip.is_slip
    drift = slip_of(curve_of(flat, flat, 1.2, 1.2, 0.05), 0.15)
    assert drift is not None and not drift.is_slip
    assert drift.limit_elec_arcmin == pytest.approx(DRIFT_ELEC_ARCMIN + 4 * 0.15 + SIGMAS * 0.05)


def test_a_jump_in_each_pass_is_no_scatter() -> None:
    """A rotor that gives way by 10' at one place of each pass: the limit stays that of the readings' own scatter."""
    world = {"part": {"faults": {"rotor_slip_deg_per_turn": 0.0}}}
    plain = evaluate(full_test(world)).slip
    rehearsal = Rehearsal(world_of(world))
    physics = rehearsal.world._axis

    def give_way(move: Any, t: Any) -> Any:
        turned = physics._motor(move, t) / math.tau
        return math.radians(10.0 / 60.0) * np.floor(turned + 0.4)

    physics._slip = give_way
    slip = evaluate(rehearsal.dc(repeats=1).loopback().excite().sweep().observed()).slip
    assert plain is not None and slip is not None
    assert slip.is_slip and slip.limit_mech_arcmin < 1.3 * plain.limit_mech_arcmin
