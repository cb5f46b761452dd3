"""Soundness of whole runs, one fault of the rig each: the right code, the right lines, nothing said of the part."""

from typing import Any

import pytest
from observed_from_world import Rehearsal, full_test, world_of

from rig.review.judge import judge

SHORT = "error_max_elec_arcmin"

RIG_FAULTS: list[tuple[str, dict[str, Any], str, str]] = [
    ("no rotor fitted", {"part": {"faults": {"rotor": "missing"}}}, "rotor-missing", "tr_sin"),
    ("an axis that stands", {"axis": {"stuck": True}}, "axis-not-turning", SHORT),
    ("lost steps", {"axis": {"lost_at_deg": 90.0, "lost_deg": 7.2}}, "steps-lost", SHORT),
    ("twice the microsteps", {"axis": {"scale": 2.0}}, "microstep-setting", SHORT),
    ("a wrong number of steps a turn", {"axis": {"scale": 1.01}}, "axis-slip", SHORT),
    ("a dead channel", {"sampler": {"silent_channel": "sin"}}, "channel-silent", "tr_sin"),
    ("a channel far off in gain", {"sampler": {"gain_error": [0, 0, 0.06, 0]}}, "channel-gain", "tr_sin"),
    ("cut peaks", {"sampler": {"clip_v": 2.7}}, "channel-saturated", "tr_sin"),
    ("channels that see each other", {"sampler": {"crosstalk": 0.002}}, "crosstalk", SHORT),
    ("a tone beside the carrier", {"sampler": {"tone_v": 0.02, "tone_hz": 10050.0}}, "interference", SHORT),
    ("a distorted source", {"generator": {"thd": 0.06}}, "excitation-distorted", "null_total_sin_v"),
    ("an output stage that folds back", {"generator": {"foldback": True}}, "excitation-level", "tr_sin"),
    (
        "a part still warm",
        {"climate": {"part_degc": 32.0, "part_settle_min": 20.0}},
        "temperature-unsettled",
        "r20_exc",
    ),
    ("rotor and stack apart along the shaft", {"holder": {"axial_mm": 6.0}}, "seat-axial", "tr_sin"),
    (
        "thermistor and excitation exchanged",
        {
            "holder": {
                "pins": {
                    "exc_hi": 7,
                    "exc_lo": 8,
                    "sin_hi": 3,
                    "sin_lo": 4,
                    "cos_hi": 5,
                    "cos_lo": 6,
                    "thermistor_hi": 1,
                    "thermistor_lo": 2,
                }
            }
        },
        "pin-map-mismatch",
        "r20_exc",
    ),
    ("too few steps a turn", {"axis": {"scale": 0.99}}, "axis-slip", SHORT),
    ("another part's adapter", {"holder": {"adapter": "another"}}, "pin-map-mismatch", "r20_exc"),
]


@pytest.mark.parametrize("world,code,spoiled", [row[1:] for row in RIG_FAULTS], ids=[row[0] for row in RIG_FAULTS])
def test_a_fault_of_the_rig_is_told_with_its_code_and_spoils_its_lines(
    world: dict[str, Any], code: str, spoiled: str
) -> None:
    """Unsound, never outside: the reason has evidence and a next action, and no finding blames the part."""
    judgement = judge(full_test(world))
    assert judgement.outcome == "unsound measurement"
    reason = next(r for r in judgement.reasons if r.code == code)
    assert reason.evidence and reason.next
    assert spoiled in reason.spoils or reason.spoils == ("*",)
    line = judgement.line(spoiled)
    assert line is not None and line.verdict.value == "not tested"
    assert not {f.code for f in judgement.findings} - {"no-fault-found"}


def test_an_axis_that_stands_spoils_the_inductances_too() -> None:
    """Impedances are means over the turn: at one position they are none, and no line says so with a U that is wrong."""
    judgement = judge(full_test({"axis": {"stuck": True}}))
    for id_ in ("l_sin", "l_cos", "z_exc_mod", "q_sin", "tr_sin"):
        line = judgement.line(id_)
        assert line is not None and line.note.startswith("axis-not-turning")
    dc = judgement.line("r20_sin")
    assert dc is not None and dc.verdict.value == "pass"


def test_what_the_loopback_corrects_is_told_but_spoils_nothing() -> None:
    """Channels sampled 4 and 8 us late: a remark, and the part passes."""
    judgement = judge(full_test({"sampler": {"skew_ns": [0, 0, 4000, 8000]}}))
    assert judgement.outcome == "within limits"
    assert {r.code for r in judgement.reasons} == {"skew"}


def test_without_a_loopback_the_ratios_have_no_ground() -> None:
    """Neither in this run nor kept: what compares channels is unsound, the resistances keep their verdict."""
    rehearsal = Rehearsal(world_of())
    judgement = judge(rehearsal.dc().excite().sweep().impedances().observed())
    assert "calibration-stale" in {r.code for r in judgement.reasons}
    assert judgement.outcome == "unsound measurement"
    line = judgement.line("r20_exc")
    assert line is not None and line.verdict.value == "pass"


def test_an_unsettled_temperature_spoils_the_resistances_and_not_the_ratio() -> None:
    """The ratio cancels what the temperature does to both sides."""
    judgement = judge(full_test({"climate": {"part_degc": 32.0, "part_settle_min": 20.0}}))
    ratio, resistance = judgement.line("tr_sin"), judgement.line("r20_sin")
    assert ratio is not None and ratio.verdict.value == "pass"
    assert resistance is not None and resistance.verdict.value == "not tested"


def test_a_part_off_centre_is_sent_to_a_new_seat() -> None:
    """Two pole pairs, 0.15 mm off: error at order p, rippling inductance, no quadrature; re-seated it passes."""
    data = {
        "seed": 4,
        "clampings": 2,
        "part": {"pole_pairs": 2, "teeth": 8, "gap_scatter": 0.003},
        "holder": {"offset_mm": 0.15, "offset_deg": 20.0, "offset_clamping": 1},
    }
    off, again = (judge(full_test(data, clamping=n, part="KX2-1184")) for n in (1, 2))
    assert off.outcome == "unsound measurement"
    assert [r.code for r in off.reasons] == ["seat-off-centre"]
    assert "Re-seat" in off.reasons[0].next
    assert again.outcome == "within limits"


def test_a_dead_current_channel_spoils_the_impedances_alone() -> None:
    """Its coil is whole by DC: the channel is told, ratios and angle keep their verdict."""
    judgement = judge(full_test({"sampler": {"silent_channel": "exc_i"}}))
    reason = next(r for r in judgement.reasons if r.code == "channel-silent")
    assert "z_exc_mod" in reason.spoils and "tr_sin" not in reason.spoils
    assert judgement.outcome == "within limits"


def test_a_seat_that_follows_the_part_through_a_re_seat_is_the_parts() -> None:
    """The run that repeats another after a re-seat: outside limits, and no longer the set-up's."""
    rehearsal = Rehearsal(world_of({"part": {"faults": {"axial_mm": 6.0}}}))
    seen = rehearsal.dc().loopback().excite().sweep().impedances().observed(retest_of="the run before")
    judgement = judge(seen)
    assert judgement.outcome == "outside limits"
    assert judgement.findings[0].code == "gap-or-rotor"
