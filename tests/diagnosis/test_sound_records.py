"""Records that were copied over one another or are out of order spoil everything; honest ones never do."""

from dataclasses import replace

import pytest
from observed_from_world import Rehearsal, world_of
from readings_by_hand import observed, reading

from rig.evaluation.evaluated import evaluate
from rig.evaluation.inspection.inspection import Inspection
from rig.observed import Observed
from rig.result import Reason
from rig.soundness.soundness import soundness


def record_reasons(seen: Observed) -> list[Reason]:
    """The reasons about the records, of all that a run gives."""
    return [one for one in soundness(Inspection(evaluate(seen)), ()) if one.code.startswith("record-")]


@pytest.fixture(scope="module")
def rehearsal() -> Rehearsal:
    """A sweep of forty points on the good world."""
    return Rehearsal(world_of({}), 1, "KX4-2207", points=40).dc().excite().sweep()


def test_honest_records_give_no_reason(rehearsal: Rehearsal) -> None:
    """A whole run as it was measured."""
    assert record_reasons(rehearsal.observed()) == []


def test_a_record_written_over_another_is_found_and_named(rehearsal: Rehearsal) -> None:
    """Record 7 holds the samples of record 3."""
    seen = rehearsal.observed()
    series = next(s for s in seen.captures.series() if s.startswith("sweep"))
    kept = rehearsal.kept.codes[series]
    honest, kept[7] = kept[7], kept[3].copy()
    found = record_reasons(seen)
    kept[7] = honest
    assert [r.code for r in found] == ["record-overwritten"]
    names = [r.capture for r in seen.capture_readings(series)]
    assert names[3] in found[0].evidence and names[7] in found[0].evidence and found[0].spoils == ("*",)


def test_clocks_that_both_go_back_are_out_of_order_one_alone_is_not() -> None:
    """A resumed run starts bench time anew; a wall clock may be set; both at once are a journal out of order."""
    first = replace(reading("q", 1.0, "V"), bench_time_s=10.0, time_utc="2026-11-25T08:00:10Z")
    back = replace(first, bench_time_s=5.0, time_utc="2026-11-25T08:00:05Z")
    resumed = replace(first, bench_time_s=0.0, time_utc="2026-11-25T09:00:00Z")
    assert [r.code for r in record_reasons(observed([first, back]))] == ["record-out-of-order"]
    assert record_reasons(observed([first, resumed])) == []
