"""The roll-up of a run: each row of the table in rig/review/judge.py, and what may not be outvoted."""

from dataclasses import replace

import pytest
from observed_from_world import full_test
from readings_by_hand import GOOD_PINS, coil, observed, pin_table, reading

from rig.quantity import Limit
from rig.result import Judged, Reason
from rig.review.judge import judge
from rig.review.outcome.roll_up import roll_up, spoiler
from rig.uncertainty.conformity import Verdict

V = Verdict


def line(measurand: str, verdict: Verdict, *, limited: bool = True, required: bool = True) -> Judged:
    limit = Limit(measurand=measurand, lower=0.0, upper=1.0, origin="maker", required=required) if limited else None
    return Judged(measurand=measurand, result=None, limit=limit, verdict=verdict)


def reason(*spoils: str, code: str = "skew") -> Reason:
    return Reason(code=code, text="", evidence="", next="", spoils=spoils)


@pytest.mark.parametrize(
    "lines,reasons,outcome",
    [
        ([line("tr_sin", V.PASS), line("tr_cos", V.PASS)], [], "within limits"),
        ([line("tr_sin", V.PASS), line("l_exc", V.NO_LIMIT, limited=False)], [], "within limits"),
        ([line("tr_sin", V.NO_LIMIT, limited=False)], [], "measured, no limits"),
        ([line("tr_sin", V.PASS), line("tr_cos", V.FAIL)], [], "outside limits"),
        ([line("tr_sin", V.CONDITIONAL_FAIL), line("tr_cos", V.FAIL)], [], "outside limits"),
        ([line("tr_sin", V.PASS), line("tr_cos", V.CONDITIONAL_PASS)], [], "undecided"),
        ([line("tr_sin", V.PASS), line("tr_cos", V.CONDITIONAL_FAIL)], [], "undecided"),
        ([line("tr_sin", V.PASS), line("tr_cos", V.NOT_CAPABLE)], [], "undecided"),
        ([line("tr_sin", V.PASS), line("tr_cos", V.NOT_TESTED)], [], "undecided"),
        ([line("tr_sin", V.PASS), line("tr_cos", V.NOT_TESTED, required=False)], [], "within limits"),
        ([line("tr_sin", V.PASS), line("tr_cos", V.NOT_TESTED)], [reason("tr_cos")], "unsound measurement"),
        ([line("tr_sin", V.PASS), line("tr_cos", V.PASS)], [reason("l_exc")], "within limits"),
        ([line("tr_sin", V.FAIL), line("tr_cos", V.NOT_TESTED)], [reason("tr_cos")], "outside limits"),
        ([line("tr_sin", V.NOT_TESTED), line("tr_cos", V.NOT_TESTED)], [reason("*")], "unsound measurement"),
        ([line("tr_sin", V.NO_LIMIT, limited=False)], [reason("*")], "unsound measurement"),
        ([line("tr_sin", V.PASS)], [reason(code="not-this-kind")], "not this kind"),
    ],
)
def test_the_roll_up_follows_its_table(lines: list[Judged], reasons: list[Reason], outcome: str) -> None:
    """A fail stands whatever else is unsound; no limit is never a pass; a required gap is never within."""
    assert roll_up(lines, reasons) == outcome


def test_a_run_cut_short_is_incomplete_unless_something_sound_already_failed() -> None:
    """Stopping early never saves a bad part, and never passes a good one."""
    assert roll_up([line("tr_sin", V.PASS)], [], cut_short="stopped by a person") == "incomplete"
    assert roll_up([line("tr_sin", V.FAIL)], [], cut_short="stopped by a person") == "outside limits"


def test_a_reason_spoils_the_lines_it_names_and_a_star_all() -> None:
    """The first that names a line is the one that is quoted."""
    first, all_ = reason("tr_sin"), reason("*")
    assert spoiler("tr_sin", [first, all_]) is first
    assert spoiler("tr_cos", [first]) is None
    assert spoiler("tr_cos", [first, all_]) is all_


def test_a_good_part_is_within_limits_and_judging_it_again_says_the_same() -> None:
    """Pure and deterministic: two judgements of one run are equal to the last bit."""
    obs = full_test({"seed": 2})
    first, second = judge(obs), judge(obs)
    assert first.outcome == "within limits"
    assert first == second
    assert first.exit_status == 0


def test_an_open_excitation_coil_fails_though_nothing_could_be_driven() -> None:
    """The run ends after its DC steps; the reason for that spoils nothing, and the part is outside its limits."""
    open_exc = [reading("coil_resistance", None, overload=True, coil="exc", wires=4, polarity="+", range_ohm=1e3)]
    table = pin_table({pair: ohm for pair, ohm in GOOD_PINS.items() if pair != ("1", "2")})
    air = [reading("ambient_temperature", 22.0, "degC", phase="before")]
    coils = [*coil("sin", [15.118], [15.118]), *coil("cos", [15.118], [15.118])]
    ended = reason(code="excitation-forbidden")
    judgement = judge(observed([*table, *air, *open_exc, *coils]), [ended])
    assert judgement.outcome == "outside limits"
    assert [f.code for f in judgement.findings] == ["open-coil"]
    (told,) = [one for one in judgement.reasons if one.code == ended.code]
    assert told == replace(ended, rig_or_part=told.rig_or_part) and "shorting plug" in told.rig_or_part
    tr = judgement.line("tr_sin")
    assert tr is not None and tr.verdict is V.NOT_TESTED


def test_the_positive_rotation_of_the_part_file_is_a_requirement() -> None:
    """Where a part has limits, a reversed direction fails though no limit names it."""
    judgement = judge(full_test({"part": {"faults": {"reverse_sin": True}}}))
    direction = judgement.line("direction")
    assert direction is not None and direction.limit is not None
    assert direction.verdict is V.FAIL
    assert "positive rotation" in direction.limit.note
