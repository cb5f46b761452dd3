"""The library of known-good units: who teaches, who does not, what is frozen, what is said beside the limits."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from rig.errors import RecordError, UsageError
from rig.result import Judged, Judgement, Result
from rig.review.library import Library, Rule, fall_back, like_the_others
from rig.uncertainty.conformity import Verdict

WHEN = "2026-11-25T10:15:00Z"


def a_line(id_: str, value: float, qualifier: str = "", verdict: Verdict = Verdict.NO_LIMIT) -> Judged:
    result = Result(measurand=id_, estimate=value, unit="1", u=0.01, k=2.0, dof=50.0, qualifier=qualifier)
    return Judged(measurand=id_, result=result, limit=None, verdict=verdict)


def a_run(r20: float, error: float, outcome: str = "measured, no limits") -> Judgement:
    lines = (
        a_line("r20_exc", r20),
        a_line("error_max_elec_arcmin", error),
        a_line("leak_exc_core", 1e8, ">"),
        a_line("direction", 1.0),
        a_line("v_exc_rms", 7.0),
    )
    return Judgement(outcome=outcome, judged=lines, reasons=(), findings=())


@pytest.fixture
def library(tmp_path: Path) -> Library:
    """Five units of one part number."""
    made = Library(tmp_path)
    for i, (r20, error) in enumerate([(9.00, 12.0), (9.05, 18.0), (8.97, 9.0), (9.02, 14.0), (8.99, 22.0)]):
        made.add("PX-1", f"G-{i}", {f"run-{i}": a_run(r20, error)}, how="new from the maker", who="Ada", at_utc=WHEN)
    return made


def test_limits_are_those_of_the_tolerance_interval(library: Library) -> None:
    """Resistances both ways; the error one-sided on a log scale; bounds, conventions and facts about the rig teach
    nothing."""
    found = library.learned("PX-1", Rule(coverage=0.95, confidence=0.95))
    limits = {limit.measurand: limit for limit in found.limits}
    assert set(limits) == {"r20_exc", "error_max_elec_arcmin"}
    values = np.array([9.00, 9.05, 8.97, 9.02, 8.99])
    half = 5.076875 * values.std(ddof=1)
    assert limits["r20_exc"].lower == pytest.approx(values.mean() - half, abs=1e-5)
    assert limits["r20_exc"].upper == pytest.approx(values.mean() + half, abs=1e-5)
    error = limits["error_max_elec_arcmin"]
    assert error.lower is None and error.upper is not None and error.upper > 22.0
    assert limits["r20_exc"].origin == "learned" and "5 units, 95/95, provisional" in limits["r20_exc"].note


def test_what_has_to_be_said_is_said(library: Library) -> None:
    """Provisional, the masking of a bad part among few, and the share of good parts that all lines reject."""
    told = " | ".join(library.learned("PX-1").warnings)
    assert "provisional: 5 units" in told and "would pass the limits" in told and "of good parts" in told


def test_the_unit_that_is_judged_never_teaches(library: Library) -> None:
    """A teacher that is judged gets limits of the others, in version and note; a stranger gets the frozen ones."""
    kept = library.keep(library.learned("PX-1"), who="Ada", at_utc=WHEN)
    assert library.in_force("PX-1", "S-9") is None  # nobody has approved them
    library.approve("PX-1", kept.version, who="Bo", at_utc=WHEN)
    stranger, teacher = library.in_force("PX-1", "S-9"), library.in_force("PX-1", "G-1")
    assert stranger is not None and stranger.limits == kept.limits and stranger.approved_by == "Bo"
    assert teacher is not None and "G-1" not in teacher.serials and "without G-1" in teacher.limits[0].note
    assert teacher.lines["r20_exc"].n == 4


def test_a_kept_version_does_not_change_when_units_come_and_go(library: Library) -> None:
    """Frozen; the next one has a number of its own."""
    first = library.keep(library.learned("PX-1"), who="Ada", at_utc=WHEN)
    library.add("PX-1", "G-9", {"run-9": a_run(9.4, 30.0)}, how="ran in a machine", who="Ada", at_utc=WHEN)
    second = library.keep(library.learned("PX-1"), who="Ada", at_utc=WHEN)
    assert (first.version, second.version) == (1, 2)
    assert library.version("PX-1", 1).limits == first.limits != second.limits


def test_an_outlier_is_flagged_and_stays_until_a_person_withdraws_it(library: Library) -> None:
    """With its serial; withdrawal needs a reason and leaves the entry in the file."""
    library.add("PX-1", "G-7", {"run-7": a_run(12.0, 15.0)}, how="compared", who="Ada", at_utc=WHEN)
    found = library.learned("PX-1")
    assert found.flagged == {"r20_exc": "G-7"} and "G-7" in found.serials
    with pytest.raises(UsageError, match="reason"):
        library.withdraw("PX-1", "G-7", why=" ", who="Ada", at_utc=WHEN)
    library.withdraw("PX-1", "G-7", why="another winding", who="Ada", at_utc=WHEN)
    assert "G-7" not in library.learned("PX-1").serials
    assert library.file("PX-1").read_text().count('"G-7"') == 2


def test_failures_and_unsound_runs_never_teach(library: Library) -> None:
    """Nor a unit of which nobody says how it is known."""
    for outcome in ("outside limits", "unsound measurement"):
        with pytest.raises(UsageError, match="can't teach"):
            library.add("PX-1", "B-1", {"r": a_run(9.0, 10.0, outcome)}, how="new", who="Ada", at_utc=WHEN)
    with pytest.raises(UsageError, match="how it is known"):
        library.add("PX-1", "B-1", {"r": a_run(9.0, 10.0)}, how="", who="Ada", at_utc=WHEN)


def test_a_spoiled_line_teaches_nothing(tmp_path: Path) -> None:
    """A line that a reason of soundness took its verdict from is left out."""
    run = a_run(9.0, 10.0)
    spoiled = replace(run, judged=(a_line("r20_exc", 9.0, verdict=Verdict.NOT_TESTED), *run.judged[1:]))
    unit = Library(tmp_path).add("PX-1", "G-0", {"r": spoiled}, how="new", who="Ada", at_utc=WHEN)
    assert "r20_exc" not in unit.values and "error_max_elec_arcmin" in unit.values


def test_two_units_make_no_limit(tmp_path: Path) -> None:
    """Three at least; below that the fall-back, named as such."""
    library = Library(tmp_path)
    for i in range(2):
        library.add("PX-1", f"G-{i}", {"r": a_run(9.0 + i, 10.0)}, how="new", who="Ada", at_utc=WHEN)
    with pytest.raises(UsageError, match="2 known-good units"):
        library.learned("PX-1")
    assert {limit.origin for limit in fall_back(4)} == {"shop fall-back"}


def test_one_part_is_compared_by_the_prediction_interval(library: Library) -> None:
    """Narrower than the limits: a part inside them may still be unlike the others."""
    found = library.learned("PX-1")
    assert like_the_others(found, {"r20_exc": 9.01}) == {"r20_exc": True}
    upper = next(limit.upper for limit in found.limits if limit.measurand == "r20_exc")
    assert upper is not None and like_the_others(found, {"r20_exc": upper - 1e-3}) == {"r20_exc": False}


def test_a_damaged_line_is_told_by_file_and_line(library: Library) -> None:
    """Nothing half-read is taken for a library."""
    with library.file("PX-1").open("a") as out:
        out.write('{"kind": "unit"')
    with pytest.raises(RecordError, match=r"PX-1.jsonl:6"):
        library.units("PX-1")
