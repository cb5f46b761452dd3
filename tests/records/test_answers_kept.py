"""What a run answers comes back from its record as it was; records of before, with the same shape, are read too."""

from __future__ import annotations

import pytest

from rig.answer import (
    Answer,
    AxialAnswer,
    AxialFigures,
    Curves,
    DropOutSeen,
    LineFigure,
    PinsAnswer,
    SeatAnswer,
    SettledLine,
    WatchAnswer,
    WitnessAnswer,
)
from rig.records.run.record import dump_judgement, load_judgement
from rig.result import Judgement

LOST = DropOutSeen(begin_utc="a", end_utc="b", duration_s=0.4, worst=None, unit="ohm", open_at_end=False)
ANSWERS: list[tuple[Answer, str]] = [
    (
        WitnessAnswer(kind="plug", of="r", answers=(SettledLine(line="r20_sin", reason="", answer="x", told="y"),)),
        "witness",
    ),
    (
        WatchAnswer(
            coil="sin",
            mode="dc",
            unit="ohm",
            readings=3,
            seconds=1.0,
            interval_s=0.5,
            min=1.0,
            max=2.0,
            reference=None,
            drop_outs=(LOST,),
        ),
        "watch",
    ),
    (
        SeatAnswer(seat=None, moved_mm=(0.1, 0.2), lines={"l_exc": LineFigure(estimate=1.0, U=None, unit="H")}),
        "moved_mm",
    ),
    (AxialAnswer(axial=AxialFigures(axial_mm=0.5, ratio=0.3, l_exc=1e-3)), "axial"),
    (PinsAnswer(pins={"outcome": "undecided"}), "pins"),
]


@pytest.mark.parametrize("answer,key", ANSWERS, ids=[type(answer).__name__ for answer, _ in ANSWERS])
def test_an_answer_comes_back_from_its_record(answer: Answer, key: str) -> None:
    """It stands under `curves`, where it always stood, and is read as the type that it was."""
    kept = Judgement(outcome="measured, no limits", judged=(), reasons=(), findings=(), answer=answer)
    data = dump_judgement(kept)
    assert key in data["curves"] and "answer" not in data
    assert load_judgement(data).answer == answer


def test_curves_come_back_and_an_unknown_curve_of_another_version_is_left_out() -> None:
    """A turn's curves are read as they were written; what was not seen has no key."""
    curves = Curves(angle_mech_deg=(0.0, 90.0), error_cw_elec_arcmin=(None, 1.5), orders=(1, 2))
    data = dump_judgement(Judgement(outcome="undecided", judged=(), reasons=(), findings=(), curves=curves))
    assert set(data["curves"]) == {"angle_mech_deg", "error_cw_elec_arcmin", "orders"}
    found = load_judgement({**data, "curves": {**data["curves"], "of_a_later_version": [1]}})
    assert found.curves == curves and found.answer is None and Curves().empty
