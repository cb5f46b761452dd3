"""The quick screen's eight spots: right for one to eight pole pairs, and an alias is never stated."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from observed_from_world import Rehearsal, world_of

from rig.result import Judgement
from rig.review.judge import judge

TEETH = {1: 8, 2: 8, 3: 12, 4: 16, 5: 20, 6: 24, 7: 28, 8: 32}


def screened(p: int, named: int | None = None, **part: Any) -> Judgement:
    """The quick screen of a part with p pole pairs whose part file names `named` (p itself by default)."""
    keys = {"part": {"pole_pairs": p, "teeth": TEETH[p], **part}, "holder": {"centring_sigma_mm": 0.0}}
    rehearsal = Rehearsal(world_of(keys), 1, "KX2-1184")
    rehearsal.part = replace(rehearsal.part, pole_pairs=named or p, teeth=TEETH[p])
    made = rehearsal.dc(every_pair=False, repeats=1).loopback().excite().spots()
    return judge(made.observed())


def estimates(judgement: Judgement) -> dict[str, float | None]:
    """Measurand -> estimate of the lines that the run has."""
    return {line.measurand: line.result.estimate for line in judgement.judged if line.result is not None}


@pytest.mark.parametrize("p", [1, 2, 3, 5, 8])
def test_a_good_part_is_within_limits(p: int) -> None:
    """Pole pairs and direction are the part's, the error is small, and nothing is outside limits or unsound."""
    judgement = screened(p)
    found = estimates(judgement)
    assert (found["pole_pairs"], found["direction"]) == (p, 1.0)
    assert (found["error_max_elec_arcmin"] or 0.0) < 90.0
    assert not {"grid-blind", "pole-pairs-mismatch"} & {reason.code for reason in judgement.reasons}
    line = judgement.line("pole_pairs")
    assert line is not None
    assert line.note.startswith(f"consistent with the {p} of the part file") is (p <= 2)


def test_reversed_outputs_show_as_reversed_and_not_as_an_alias() -> None:
    """A swapped part of two pole pairs turns the other way with a small error, under the part file's pole pairs."""
    judgement = screened(2, faults={"swap_sin_cos": True})
    found = estimates(judgement)
    assert (found["pole_pairs"], found["direction"]) == (2.0, -1.0)
    assert (found["error_max_elec_arcmin"] or 0.0) < 90.0


def test_a_rotor_that_hardly_couples_ends_in_a_reason_and_no_fault() -> None:
    """Three lobes in a winding of two carry next to nothing, and eight spots can't tell at which order."""
    judgement = screened(2, lobes=3)
    assert [reason.code for reason in judgement.reasons] == ["rotor-missing"]


def test_another_rotor_is_no_number_that_the_spots_cannot_tell() -> None:
    """Six lobes under a part file of two: neither pole pairs, direction nor error are stated; why is."""
    judgement = screened(2, lobes=6)
    found = estimates(judgement)
    assert all(found[id_] is None for id_ in ("pole_pairs", "direction", "error_max_elec_arcmin"))
    told = {reason.code: reason for reason in judgement.reasons}
    assert "6 with the angle falling and 10 pole pairs" in told["pole-pairs-mismatch"].evidence
    assert judgement.outcome == "unsound measurement"
    assert judgement.findings[0].code == "wrong-rotor"
