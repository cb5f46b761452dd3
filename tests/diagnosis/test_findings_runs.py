"""Findings on worlds with one fault of the part each: outside limits, the right hypothesis first, told as a hint."""

import re
from typing import Any

import pytest
from observed_from_world import full_test

from rig.evaluation.evaluated import evaluate
from rig.evaluation.inspection.inspection import Inspection
from rig.resolver.model import ECCENTRIC, SHORTED
from rig.review.judge import judge

PART_FAULTS: list[tuple[str, dict[str, Any], str, str]] = [
    ("open sine coil", {"open": "sin"}, "open-coil", "r20_sin"),
    ("open thermistor", {"open": "thermistor"}, "thermistor-open", "thermistor_minus_coil_degc"),
    (
        "shorted turns",
        {"shorted_coil": "sin", "shorted_turns": 4, "shorted_tooth": 2},
        "shorted-turns",
        "error_max_elec_arcmin",
    ),
    ("corroded pin", {"contact_cos_ohm": 1.5}, "contact-resistance", "r20_match"),
    ("corroded excitation pin", {"contact_exc_ohm": 1.6}, "contact-resistance", "r20_exc"),
    ("leak between coils", {"leak_exc_sin_ohm": 1e5}, "leak-coil-coil", "leak_exc_sin"),
    ("leak to the core", {"leak_sin_core_ohm": 1e6}, "leak-coil-core", "leak_sin_core"),
    ("wet part", {"moisture": 0.5}, "moisture", "leak_exc_core"),
    ("thermistor off its curve", {"thermistor_offset_degc": 12.0}, "thermistor-drift", "thermistor_minus_coil_degc"),
    ("swapped outputs", {"swap_sin_cos": True}, "wiring-swapped", "direction"),
    ("chipped lobe", {"weak_lobe": 2, "weak_lobe_fraction": 1.0}, "gap-or-rotor", "tr_sin"),
]


@pytest.mark.parametrize("faults,code,failing", [r[1:] for r in PART_FAULTS], ids=[r[0] for r in PART_FAULTS])
def test_a_fault_of_the_part_fails_and_its_explanation_ranks_first(
    faults: dict[str, Any], code: str, failing: str
) -> None:
    """Outside limits on the line that shows it, never unsound; evidence, next test and rank with it."""
    judgement = judge(full_test({"part": {"faults": faults}}))
    assert judgement.outcome == "outside limits"
    line = judgement.line(failing)
    assert line is not None and line.verdict.value == "fail"
    first = judgement.findings[0]
    assert first.code == code
    assert first.text.startswith("Hint: ") and first.evidence and first.next_test
    assert 0.0 < first.probability < 1.0
    assert sum(f.probability for f in judgement.findings) < 1.0


def test_an_open_output_leaves_the_other_one_its_verdict() -> None:
    """The cosine passes; what needs both outputs says that one is silent."""
    judgement = judge(full_test({"part": {"faults": {"open": "sin"}}}))
    other, angle = judgement.line("tr_cos"), judgement.line("error_max_elec_arcmin")
    assert other is not None and other.verdict.value == "pass"
    assert angle is not None and angle.verdict.value == "not tested"
    assert angle.result is not None and "sine" in angle.result.note


def test_nothing_found_is_said_so() -> None:
    """A good part: one finding, and it says where else to look."""
    judgement = judge(full_test({"seed": 3}))
    assert [f.code for f in judgement.findings] == ["no-fault-found"]
    assert "harness" in judgement.findings[0].next_test


def test_a_runout_is_the_rotors_and_never_the_seats() -> None:
    """Order 1 beyond what the axis may add, inductance rippling once a turn: a hint of the rotor, not of the seat."""
    world = {"part": {"pole_pairs": 2, "teeth": 8, "faults": {"runout_mm": 0.08}}}
    judgement = judge(full_test(world, part="KX2-1184"))
    assert "seat-off-centre" not in {r.code for r in judgement.reasons}
    first = judgement.findings[0]
    assert first.code == "gap-or-rotor" and "order 1" in first.evidence
    assert "Clock the rotor" in first.next_test


def test_shorted_turns_name_the_tooth_the_coil_and_how_many() -> None:
    """Six of 32 turns on tooth 3: the tooth, or one that stands alike, the coil, its share."""
    faults = {"shorted_coil": "cos", "shorted_tooth": 3, "shorted_turns": 6, "short_ohm": 0.2}
    seen = full_test({"holder": {"angle_deg": 20.0, "angle_sigma_deg": 0.0}, "part": {"faults": faults}})
    first = judge(seen).findings[0]
    assert first.code == "shorted-turns" and "cosine coil" in first.text
    share = int(re.findall(r"about (\d+) %", first.text)[0])
    assert share == pytest.approx(100 * 6 / 32, abs=4)
    found = Inspection(evaluate(seen)).magnetics
    assert found is not None and 2 in found.design.alike(found.fit(SHORTED).guess.tooth)  # counted from 0 there


def test_a_rotor_of_another_part_is_told_from_none() -> None:
    """Three lobes where four belong: next to no coupling, but what is left turns with the rotor."""
    judgement = judge(full_test({"part": {"lobes": 3}}))
    assert judgement.outcome == "outside limits"
    assert judgement.findings[0].code == "wrong-rotor" and "order 3" in judgement.findings[0].evidence


def test_an_off_centre_seat_gives_the_size_and_is_no_short() -> None:
    """The reduced model on a part 0.2 mm off centre, two pole pairs: an uneven gap, the offset to a fifth."""
    data = {"seed": 4, "part": {"pole_pairs": 2, "teeth": 8, "gap_scatter": 0.003}, "holder": {"offset_mm": 0.2}}
    found = Inspection(evaluate(full_test(data, part="KX2-1184"))).magnetics
    assert found is not None and found.kind == ECCENTRIC
    assert found.fit(ECCENTRIC).guess.offset == pytest.approx(0.2 / 0.6, rel=0.2)
