"""The library of known-good units: who teaches, who does not, what is frozen, what is said beside the limits."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from library_samples import GOOD, PART, a_judgement, a_line, a_part, kept

from rig.description.loading import from_data
from rig.description.parts import PartFile
from rig.errors import RecordError, UsageError
from rig.quantity import Limit
from rig.records.book.entries import LearnedLimits, WithdrawnUnit
from rig.records.book.library import LibraryBook
from rig.records.index.database import VARIABLE
from rig.records.store import Store
from rig.result import Judged
from rig.review.library.frozen import SANITY, freeze, opinions
from rig.review.library.learning import LearningRule, line_coverage
from rig.review.library.library import Library
from rig.uncertainty.conformity import Verdict, verdict_of


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Store:
    monkeypatch.delenv(VARIABLE, raising=False)
    return Store(tmp_path)


@pytest.fixture
def library(store: Store) -> Library:
    """Five units of one part number."""
    made = Library(store)
    for i, (r20, error) in enumerate(GOOD):
        made.add([kept(store, f"G-{i}", a_judgement(r20, error))], how="new from the maker", who="operator 1")
    return made


def test_limits_are_those_of_the_tolerance_interval(library: Library) -> None:
    """Resistances both ways; the error one-sided on a log scale; bounds, conventions and facts about the rig teach
    nothing."""
    found = library.propose(PART, LearningRule(coverage=0.95, confidence=0.95))
    limits = {limit.measurand: limit for limit in found.limits}
    assert set(limits) == {"r20_exc", "error_max_elec_arcmin"}
    values = np.array([r20 for r20, _ in GOOD])
    half = 5.076875 * values.std(ddof=1)
    lower, upper = limits["r20_exc"].lower, limits["r20_exc"].upper
    assert lower is not None and upper is not None and (lower, upper) == (round(lower, 3), round(upper, 3))
    assert 0.0 <= values.mean() - half - lower < 1e-3 and 0.0 <= upper - values.mean() - half < 1e-3  # outward
    error = limits["error_max_elec_arcmin"]
    assert error.lower is None and error.upper is not None and error.upper > 22.0
    assert limits["r20_exc"].origin == "learned" and "learned from 5 parts, provisional" in limits["r20_exc"].note


def test_a_line_that_can_be_zero_is_bounded_above_only(store: Store) -> None:
    """A null of zero forbids the log scale, never the side."""
    library = Library(store)
    for i, null in enumerate((0.0, 1e-3, 2e-3)):
        judgement = a_judgement(9.0 + 0.01 * i, 10.0, "measured, no limits", a_line("null_total_sin_v", null))
        library.add([kept(store, f"G-{i}", judgement)], how="new", who="operator 1")
    limit = {limit.measurand: limit for limit in library.propose(PART).limits}["null_total_sin_v"]
    assert limit.lower is None and limit.upper is not None and limit.upper > 2e-3


def test_parts_more_alike_than_the_measurement_can_tell_widen_the_limit(store: Store) -> None:
    """Three values within 0.0001 and U of 0.02: the limit stands 2 U from the mean, so that a good part can pass."""
    library = Library(store)
    for i in range(3):
        library.add([kept(store, f"G-{i}", a_judgement(9.0 + 1e-5 * i, 10.0 + 5.0 * i))], how="new", who="operator 1")
    found = library.propose(PART)
    limit = {limit.measurand: limit for limit in found.limits}["r20_exc"]
    assert (limit.lower, limit.upper) == (pytest.approx(8.96, abs=2e-4), pytest.approx(9.04, abs=2e-4))
    assert found.widened == ("r20_exc",) and any("widened to 2 U" in told for told in found.warnings())
    assert found.predict["r20_exc"] == (pytest.approx(limit.lower, abs=2e-4), pytest.approx(limit.upper, abs=2e-4))
    assert verdict_of(9.00001, 0.02, limit.lower, limit.upper, 1.0) is Verdict.PASS
    assert verdict_of(9.07, 0.02, limit.lower, limit.upper, 1.0) is Verdict.FAIL


def test_what_has_to_be_said_is_said(library: Library, store: Store) -> None:
    """Provisional, the masking of a bad part among few, the share of good parts that all lines reject, what is left
    out because a unit lacks it, and rotors that differ."""
    lone = a_judgement(9.01, 15.0, "measured, no limits", a_line("tr_sin", 0.3))
    library.add([kept(store, "G-5", lone, rotor="shop master")], how="new", who="operator 1")
    told = " | ".join(library.propose(PART).warnings())
    assert "provisional: 6 units" in told and "would pass the limits" in told
    assert "all 2 lines together reject" in told and "of good parts" in told
    assert "different rotors (own, shop master)" in told and "lacks them: tr_sin" in told


def test_the_coverage_of_a_family_is_shared_by_its_lines(library: Library) -> None:
    """Asked for 90 % of good parts over both lines, each line gets 95 %."""
    assert library.propose(PART, family=0.90).rule.coverage == pytest.approx(0.95)
    assert line_coverage(0.99, 10) == pytest.approx(0.999)
    with pytest.raises(UsageError, match="between 0 and 1"):
        library.propose(PART, LearningRule(confidence=1.0))


def test_the_unit_that_is_judged_never_teaches(library: Library) -> None:
    """Nothing is used before a person approves; a teacher, by whatever run and however its serial is written, is judged
    by the others alone, with the values frozen at approval."""
    assert library.to_judge(PART, "S-9") is None
    approved = library.approve(PART, who="operator 2")
    assert (approved.version, approved.approved_by, approved.provisional) == (1, "operator 2", True)
    stranger = library.to_judge(PART, "S-9")
    assert stranger is not None and stranger.limits == approved.limits and stranger.n == 5
    for written in ("G-1", "g 1", "G_I"):
        teacher = library.to_judge(PART, written)
        assert teacher is not None and [t.serial for t in teacher.teachers] == ["G-0", "G-2", "G-3", "G-4"]
        assert "learned from 4 parts, version 1" in teacher.limits[0].note and teacher.limits != stranger.limits


def test_a_version_does_not_change_when_units_come_and_go(library: Library, store: Store) -> None:
    """Approved is frozen: the next version stands beside it, each with its number, name and date."""
    first = library.approve(PART, who="operator 1")
    library.add([kept(store, "G-9", a_judgement(9.4, 30.0))], how="ran in a machine", who="operator 1")
    library.add([kept(store, "G-0", a_judgement(9.2, 12.0))], how="measured again", who="operator 1")
    second = library.approve(PART, who="operator 2")
    assert (first.version, second.version, second.n) == (1, 2, 6)
    assert library.version(PART, 1) == first and first.limits != second.limits
    assert library.version(PART) == second and second.approved_utc
    with pytest.raises(UsageError, match="of version 3"):
        library.version(PART, 3)


def test_a_version_that_a_withdrawn_unit_taught_says_so(library: Library) -> None:
    """It stays as approved and in force, and every run that is judged by it carries the sentence."""
    approved = library.approve(PART, who="operator 2")
    library.withdraw(PART, "G-3", why="came back with a worn bearing", who="operator 1")
    found = library.to_judge(PART, "S-9")
    assert found is not None and found.limits == approved.limits and found.withdrawn == ("G-3",)
    assert any("learned from G-3 too, withdrawn since" in told for told in found.warnings())
    part = from_data(PartFile, a_part(), "part").part()
    frozen = freeze(found, part, simulated=False, swept=True)
    line = replace(a_line("r20_exc", 9.0), limit=approved.limits[0])
    assert any("G-3 too, withdrawn" in told for told in opinions([line], frozen))


def test_an_outlier_is_flagged_and_stays_until_a_person_withdraws_it(library: Library, store: Store) -> None:
    """Told by serial; withdrawn only for a reason, which stays in the history."""
    library.add([kept(store, "G-7", a_judgement(12.0, 15.0))], how="compared", who="operator 1")
    found = library.propose(PART)
    assert found.flagged == {"r20_exc": "G-7"} and "G-7" in [t.serial for t in found.teachers]
    assert any("r20_exc: unit G-7 stands out" in told for told in found.warnings())
    with pytest.raises(UsageError, match="without a reason"):
        library.withdraw(PART, "G-7", why=" ", who="operator 1")
    library.withdraw(PART, "G-7", why="another winding", who="operator 1")
    assert "G-7" not in [t.serial for t in library.propose(PART).teachers]
    last = library.history(PART)[-1]
    assert isinstance(last, WithdrawnUnit) and last.why == "another winding" and len(library.history(PART)) == 7


def test_failures_and_unsound_runs_never_teach(store: Store) -> None:
    """A run that can't say what good is, is refused; so is a unit nobody vouches for; sanity alone bars nobody."""
    library = Library(store)
    for outcome in ("unsound measurement", "not this kind", "incomplete"):
        with pytest.raises(UsageError, match="can't teach"):
            library.add([kept(store, "B-1", a_judgement(9.0, 10.0, outcome))], how="new", who="operator 1")
    with pytest.raises(UsageError, match="only a full test"):
        library.add([kept(store, "B-1", a_judgement(9.0, 10.0), sequence="quick_screen")], how="new", who="operator 1")
    failed = replace(a_line("tr_sin", 0.7), verdict=Verdict.FAIL)
    by_maker = replace(failed, limit=Limit(measurand="tr_sin", lower=0.2, upper=0.6, origin="maker"))
    with pytest.raises(UsageError, match="outside limits at tr_sin"):
        library.add(
            [kept(store, "B-1", a_judgement(9.0, 10.0, "outside limits", by_maker))], how="new", who="operator 1"
        )
    sane = Limit(measurand="tr_sin", lower=0.2, upper=0.6, origin="shop fall-back", note=SANITY)
    unusual = replace(failed, limit=sane)
    assert library.add(
        [kept(store, "B-1", a_judgement(9.0, 10.0, "outside limits", unusual))], how="new", who="operator 1"
    ).values["tr_sin"] == pytest.approx(0.7)
    with pytest.raises(UsageError, match="how it is known"):
        library.add([kept(store, "B-2", a_judgement(9.0, 10.0))], how="", who="operator 1")


def test_what_was_not_soundly_measured_teaches_nothing(store: Store) -> None:
    """Lines that are bounds or not tested are left out; the runs of one unit are averaged."""
    spoiled: Judged = a_line("error_max_elec_arcmin", 50.0, verdict=Verdict.NOT_TESTED)
    first = kept(store, "G-1", a_judgement(9.0, 10.0))
    second = a_judgement(9.2, 10.0)
    second = replace(second, judged=(*(x for x in second.judged if x.measurand != spoiled.measurand), spoiled))
    unit = Library(store).add([first, kept(store, "G-1", second)], how="new", who="operator 1")
    assert unit.values == {"r20_exc": pytest.approx(9.1), "error_max_elec_arcmin": pytest.approx(10.0)}
    assert {"r20_exc": pytest.approx(0.02), "error_max_elec_arcmin": pytest.approx(0.02)} == unit.U


def test_only_units_measured_alike_stand_together(library: Library, store: Store) -> None:
    """Another excitation, a simulated unit among real ones, runs of two units: refused, with what differs."""
    other = a_part(excitation={**a_part()["excitation"], "frequency_hz": 5000.0})
    with pytest.raises(UsageError, match="5000 Hz, 7 V; the library holds G-0 at 10000 Hz"):
        library.add([kept(store, "G-8", a_judgement(9.0, 10.0), part=other)], how="new", who="operator 1")
    with pytest.raises(UsageError, match="simulated"):
        library.add([kept(store, "G-8", a_judgement(9.0, 10.0), simulated=True)], how="new", who="operator 1")
    two = [kept(store, serial, a_judgement(9.0, 10.0)) for serial in ("G-8", "G-9")]
    with pytest.raises(UsageError, match="differ in serial"):
        library.add(two, how="new", who="operator 1")


def test_too_few_units_make_no_limit(store: Store) -> None:
    """Two units are refused."""
    library = Library(store)
    for i in range(2):
        library.add([kept(store, f"G-{i}", a_judgement(9.0 + i, 10.0))], how="new", who="operator 1")
    with pytest.raises(UsageError, match="3 at least"):
        library.propose(PART)


def test_a_changed_or_missing_entry_breaks_the_chain(library: Library) -> None:
    """Nothing is judged by a library that other hands were in; the file is named."""
    files = sorted(library.book.book.folder.glob("*-good-unit-*.json"))
    text = files[1].read_text()
    files[1].write_text(text.replace("9.05", "9.50"))
    with pytest.raises(RecordError, match=files[2].name):
        library.units(PART)
    files[1].unlink()
    with pytest.raises(RecordError, match="missing or was changed"):
        library.approve(PART, who="operator 2")
    files[1].write_text(text)
    assert len(library.units(PART)) == 5


def test_the_libraries_of_a_home_are_summed_up(library: Library, store: Store) -> None:
    """Each part number with its entries, its newest approved version and who approved it, read from the book."""
    library.approve(PART, who="operator 2")
    (row,) = LibraryBook(store).summaries()
    assert (row["part"], row["entries"], row["version"], row["approved_by"]) == (PART, 6, 1, "operator 2")
    assert isinstance(library.history(PART)[-1], LearnedLimits)
