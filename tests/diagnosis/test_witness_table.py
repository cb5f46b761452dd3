"""Rig or part: the table of witnesses, and how a witness' reading settles a suspected line."""

from __future__ import annotations

import math

import pytest

from rig.findings import findings
from rig.measurands import MEASURANDS
from rig.quantity import Limit
from rig.result import Judged, Judgement, Reason, Result
from rig.review.witness.reading import settle_by_reseat, settle_sensor
from rig.review.witness.settling import Settled, WithoutRig, overall, settle, together
from rig.review.witness.suspects import Suspect, ending, suspects, witnesses_of_reason
from rig.soundness import soundness
from rig.soundness.witness import (
    NOT_SEAT,
    OPEN,
    PART,
    PART_OR_SEAT,
    RIG,
    WITNESSES,
    titles,
    witnesses_of,
)
from rig.uncertainty.conformity import Verdict


def line(id_: str, estimate: float, verdict: Verdict, lower: float = 10.0, upper: float = 20.0) -> Judged:
    result = Result(measurand=id_, estimate=estimate, unit="ohm", u=0.01, k=2.0, dof=math.inf)
    limit = Limit(measurand=id_, lower=lower, upper=upper, origin="customer")
    return Judged(measurand=id_, result=result, limit=limit, verdict=verdict)


def judged(*lines: Judged, reasons: tuple[Reason, ...] = ()) -> Judgement:
    return Judgement(outcome="outside limits", judged=lines, reasons=reasons, findings=())


def shown(corrected: float, u: float = 0.1, share: bool = True) -> WithoutRig:
    return WithoutRig(corrected=corrected, U=u, share=share, told="figures")


HIGH = Suspect(line="r20_sin", estimate=25.0, U=0.02, lower=10.0, upper=20.0)
RATIO = Suspect(line="tr_sin", estimate=0.20, U=0.002, lower=0.265, upper=0.335)


def test_every_reason_and_finding_names_known_lines() -> None:
    """Each line that the table asks about is a measurand with a witness."""
    for table in (soundness.BY_CODE, findings.BY_CODE):
        for row in table.values():
            assert all(one in MEASURANDS and witnesses_of(one) for one in row.asks)


@pytest.mark.parametrize(
    ("id_", "side", "first"),
    [
        ("r20_sin", "high", "plug"),
        ("r20_sin", "low", "open"),
        ("leak_exc_core", "low", "open"),
        ("thermistor_minus_coil_degc", "low", "plug"),
        ("tr_cos", "low", "dummy"),
        ("tr_imbalance", "high", "swap"),
        ("phase_difference_deg", "high", "swap"),
        ("error_max_elec_arcmin", "high", "reseat"),
    ],
)
def test_open_short_gain_phase_and_seat_have_their_witness(id_: str, side: str, first: str) -> None:
    """Each kind of suspicion names its quickest witness, and says it in words."""
    assert witnesses_of(id_, side)[0] == first
    assert WITNESSES[first].title in titles(witnesses_of(id_, side))


def test_what_no_witness_settles_is_not_claimed() -> None:
    """Pole pairs and lost steps have no witness on the adapter."""
    assert witnesses_of("pole_pairs") == () and titles(()) == ""
    assert witnesses_of_reason("steps-lost") == () and ending("steps-lost", "") == ""


def test_a_reason_ends_with_who_it_was_or_with_its_witness() -> None:
    """Settled reasons say that it's the rig; open ones name their witness; a seat asks for the re-seat alone."""
    assert ending("skew", "the loopback").startswith("It's the rig")
    assert "dummy part" in ending("channel-silent", "")
    assert witnesses_of_reason("seat-off-centre") == ("reseat",)
    assert "shorting plug" in ending("excitation-forbidden", "DC resistance")


def test_suspected_are_failures_and_what_reasons_doubt() -> None:
    """A passing line is not suspected; a reason's lines are, with the reason; a named code narrows it."""
    reason = Reason(code="channel-gain", text="", evidence="", next="")
    run = judged(line("r20_sin", 25.0, Verdict.FAIL), line("r20_cos", 15.0, Verdict.PASS), reasons=(reason,))
    assert [(s.line, s.reason) for s in suspects(run)] == [("r20_sin", ""), ("tr_imbalance", "channel-gain")]
    assert [s.line for s in suspects(run, ["r20_sin"])] == ["r20_sin"]
    assert suspects(judged(line("r20_cos", 15.0, Verdict.PASS))) == []


@pytest.mark.parametrize(
    ("suspect", "reading", "answer"),
    [
        (HIGH, shown(15.0), RIG),  # ten ohms were in the adapter
        (HIGH, shown(24.99, share=False), PART),
        (HIGH, shown(22.0), PART),  # some was the adapter's, and the rest is still too much
        (HIGH, shown(20.05), OPEN),  # outside by less than U
        (HIGH, shown(math.nan), RIG),  # nothing left to correct
        (HIGH, None, OPEN),
        (RATIO, shown(0.20, 0.001, share=False), PART_OR_SEAT),
        (RATIO, shown(0.30, 0.001), RIG),
        (Suspect(line="r20_sin", estimate=1e8, qualifier=">", lower=10.0, upper=20.0), shown(math.inf), PART),
        (Suspect(line="tr_imbalance", estimate=0.0, lower=-0.01, upper=0.01), shown(0.0, share=False), OPEN),
        (Suspect(line="tr_imbalance", estimate=0.0, lower=-0.01, upper=0.01), shown(-0.02), RIG),
    ],
)
def test_a_line_is_settled_by_what_is_left_without_the_rig(
    suspect: Suspect, reading: WithoutRig | None, answer: str
) -> None:
    """Inside without the rig's share: the rig; still outside by more than U: the part; else it can't tell."""
    assert settle(suspect, reading).answer == answer


@pytest.mark.parametrize(
    ("kelvin", "kind", "ohm", "answer"),
    [
        (-60.0, "plug", math.inf, RIG),  # a lead of the adapter is open
        (-60.0, "plug", 0.01, PART),
        (-60.0, "open", math.inf, OPEN),  # what lies beside can't make it read cold
        (12.0, "open", 2e4, RIG),  # 20 kohm beside 10 kohm
        (12.0, "open", math.inf, PART),
        (12.0, "plug", 0.01, OPEN),
    ],
)
def test_plug_and_open_adapter_settle_a_thermistor(kelvin: float, kind: str, ohm: float, answer: str) -> None:
    """Each clears the rig of one side only; of a sensor whose ohms rise with heat the sides change places."""
    suspect = Suspect(line="thermistor_minus_coil_degc", estimate=kelvin, lower=-5.0, upper=5.0)
    assert settle_sensor(suspect, kind, ohm, 1e4, falls_with_heat=True).answer == answer
    mirrored = Suspect(line="thermistor_minus_coil_degc", estimate=-kelvin, lower=-5.0, upper=5.0)
    assert settle_sensor(mirrored, kind, ohm, 1e4, falls_with_heat=False).answer == answer


def test_a_silent_output_is_no_seat() -> None:
    """Silence is settled by dummy or exchanged inputs; alive on the dummy, it is the part's."""
    silent = Suspect(line="tr_sin", estimate=0.0, lower=0.265, upper=0.335)
    assert silent.kinds == ("dummy", "swap") == witnesses_of_reason("channel-silent")
    assert settle(silent, shown(0.0, 0.0, share=False)).answer == PART


def test_a_reseat_clears_the_seat_and_never_blames_the_part() -> None:
    """Back within the limits: the rig's seat. Unmoved: not the seat, whoever it is."""
    back, stays = line("tr_sin", 0.30, Verdict.PASS, 0.265, 0.335), line("tr_sin", 0.201, Verdict.FAIL, 0.265, 0.335)
    assert settle_by_reseat([RATIO], judged(back))[0].answer == RIG
    assert settle_by_reseat([RATIO], judged(stays))[0].answer == NOT_SEAT


def test_dummy_and_reseat_together_leave_the_part() -> None:
    """Part or seat, and not the seat: the part. The rig's word outweighs all."""
    both = [Settled(suspect=RATIO, answer=answer, told="") for answer in (PART_OR_SEAT, NOT_SEAT)]
    assert together(both) == {"tr_sin": PART}
    rig = Settled(suspect=RATIO, answer=RIG, told="")
    assert together([*both, rig]) == {"tr_sin": RIG}


def test_one_answer_of_several_lines_hides_none() -> None:
    """Lines that agree make one answer, lines that don't are told one by one."""
    high = Settled(suspect=HIGH, answer=PART, told="")
    ratio = Settled(suspect=RATIO, answer=RIG, told="")
    assert overall([high, Settled(suspect=RATIO, answer=OPEN, told="")]) == PART
    both = overall([high, ratio])
    assert f"resistance of the sine coil at 20 degC: {PART}" in both and f"ratio, sine: {RIG}" in both


def test_a_suspect_survives_the_header() -> None:
    """What the witness run's header carries comes back whole."""
    assert Suspect.from_dict(HIGH.to_dict()) == HIGH
