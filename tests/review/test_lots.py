"""Lots as they stand: plans frozen, units counted, answers both ways, severity from lot to lot, what words may say."""

from pathlib import Path

import pytest
from lot_samples import a_file, a_judgement, keep_run, open_sample, run_all, undecided

from rig.cli.pages.lot import rows as page_rows
from rig.description.lots import Check, LotFile, load_lot
from rig.errors import DescriptionError, RecordError, UsageError
from rig.records.book.lot_entries import LotDecision, LotUnit, SeverityAct
from rig.records.book.lots import LotBook
from rig.records.run.suspect import put_suspect, settle_entry
from rig.records.store import Store
from rig.review.lots.answer import NOTHING, STANDS, UNDECIDED_TOWARDS, answer_of
from rig.review.lots.counting import CONFORMS, NONCONFORMING, UNDECIDED
from rig.review.lots.lot import Lot
from rig.review.lots.plan import plan_numbers
from rig.review.lots.series import checked_act, states
from rig.review.lots.supplier import supplier_view
from rig.review.lots.words import after, before

SERIALS = [f"PT-{n:03d}" for n in range(1, 21)]


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path)


def enter(store: Store, entry: object) -> None:
    book = LotBook(store)
    with book.turn():
        book.add(entry)  # type: ignore[type-var]


def test_the_pick_list_comes_from_its_seed_and_is_frozen(store: Store, tmp_path: Path) -> None:
    """The same seed gives the same order, another one another; a later severity or file changes nothing."""
    lot = open_sample(store, a_file(), SERIALS)
    again = open_sample(Store(tmp_path / "b"), a_file(), SERIALS)
    other = open_sample(Store(tmp_path / "c"), a_file(seed=7), SERIALS)
    order = [unit.serial for unit in lot.units]
    assert order == [unit.serial for unit in again.units] != [unit.serial for unit in other.units]
    assert sorted(order) == SERIALS and order != SERIALS
    assert [check.words for check in lot.checks] == [
        "every unit: n 20, Ac 0, Re 1",
        "MIL-STD-105E, normal, level II, AQL 2.5, code C: n 5, Ac 0, Re 1",
    ]


def test_what_a_unit_needs_follows_the_samples(store: Store) -> None:
    """The first five of the pick list get the full test, the others the screen; a unit that is missing moves the
    sample on, also for one that was screened already."""
    lot = open_sample(store, a_file(), SERIALS)
    assert [lot.needs(unit) for unit in lot.units] == ["whole"] * 5 + ["screen"] * 15
    for unit in lot.units[:6]:
        if unit.label != "S03":
            keep_run(
                store,
                lot,
                unit.label,
                a_judgement(),
                sequence="full_test" if lot.needs(unit) == "whole" else "quick_screen",
            )
    enter(store, LotUnit(lot="L-0001", label="S03", what="missing", text="not in the box"))
    lot = Lot(store, "L-0001")
    assert lot.next_unit() is not None and lot.next_unit().label == "S06"  # type: ignore[union-attr]
    assert lot.needs(lot.unit("S06")) == "whole"
    assert lot.needs(lot.unit("S07")) == "screen"


def test_answers_of_a_good_lot_and_of_one_with_a_bad_unit(store: Store, tmp_path: Path) -> None:
    """Accepted with nothing open; one critical unit in twenty: not accepted, and shown beyond U."""
    good = run_all(store, open_sample(store, a_file(), SERIALS))
    found = answer_of(good)
    assert (found.answer, found.towards) == ("accepted", NOTHING)
    assert [group.number(CONFORMS) for group in found.groups] == [20, 5]
    other = Store(tmp_path / "b")
    bad = run_all(other, open_sample(other, a_file(), SERIALS), {"S12": a_judgement(r20_sin=12.0)})
    found = answer_of(bad)
    assert (found.answer, found.towards) == ("not accepted", STANDS)
    assert found.groups[0].why == "1 nonconforming in 20, Re 1" and found.groups[1].answer == "accepted"


def test_within_U_of_the_limit_is_the_shops_own_decision_only(store: Store) -> None:
    """A conditional fail refuses the lot by the shop's rule and stays undecided towards the supplier."""
    lot = run_all(store, open_sample(store, a_file(), SERIALS), {"S02": a_judgement(error_max_elec_arcmin=78.0)})
    found = answer_of(lot)
    assert (found.answer, found.towards) == ("not accepted", UNDECIDED_TOWARDS)
    assert (found.groups[1].nonconforming, found.groups[1].shown_beyond_u) == (1, 0)
    lenient = open_sample(store, a_file(lot="L-0002", nonconforming=["fail"]), SERIALS)
    lot = run_all(store, lenient, {"S02": a_judgement(error_max_elec_arcmin=78.0)})
    assert answer_of(lot).answer == "accepted"


def test_undecided_units_are_neither_and_keep_the_answer_open(store: Store) -> None:
    """Open as long as they could decide it; not accepted all the same once Re is reached."""
    lot = run_all(store, open_sample(store, a_file(), SERIALS), {"S02": undecided()})
    group = answer_of(lot).groups[1]
    assert (group.number(UNDECIDED), group.answer, group.why) == (1, "open", "1 of 5 units have no verdict")
    wide = a_file(lot="L-0003", check=[{"name": "ratio", "lines": ["tr_*"], "plan": "own", "n": 5, "Ac": 1, "Re": 2}])
    lot = run_all(store, open_sample(store, wide, SERIALS), {"S02": undecided()})
    assert answer_of(lot).answer == "accepted"
    third = open_sample(store, a_file(lot="L-0004"), SERIALS)
    lot = run_all(store, third, {"S02": undecided(), "S03": a_judgement(tr_sin=0.2)})
    assert answer_of(lot).groups[1].answer == "not accepted"


def test_a_reseat_clears_what_moves_with_it_and_never_resistance_leak_or_pins(store: Store) -> None:
    """The second reading counts for the turn; of resistance, leak and pins the worse one, whatever the order."""
    lot = open_sample(store, a_file(), SERIALS)
    for label, first in (
        ("S01", a_judgement(error_max_elec_arcmin=200.0)),
        ("S02", a_judgement(r20_sin=12.0)),
        ("S03", a_judgement(leak_sin_core=1e6)),
        ("S04", a_judgement(direction=-1.0)),
        ("S05", undecided("r20_sin")),
    ):
        run = keep_run(store, lot, label, first)
        keep_run(store, lot, label, a_judgement(), retest_of=run.id)
    lot = Lot(store, lot.name)
    critical, turn = lot.checks
    assert lot.count_of(turn, lot.unit("S01")).state == CONFORMS
    for label in ("S02", "S03", "S04"):
        assert lot.count_of(critical, lot.unit(label)).state == NONCONFORMING
    assert lot.count_of(critical, lot.unit("S05")).state == CONFORMS
    with pytest.raises(ValueError, match="never cleared by a re-seat"):
        a_file(cleared_by_reseat=["r20_*"])


def test_units_that_cannot_be_tested_leave_a_whole_plan_open(store: Store) -> None:
    """100 % with a missing unit is not complete, and says so; by a sample the next pick takes its place."""
    lot = open_sample(store, a_file(), SERIALS)
    enter(store, LotUnit(lot="L-0001", label="S04", what="missing", text="not in the box"))
    lot = run_all(store, Lot(store, "L-0001"))
    whole, sample = answer_of(lot).groups
    assert whole.answer == "open" and "can't be tested any more" in whole.why
    assert sample.answer == "accepted" and "S06" in sample.units and "S04" not in sample.units


def test_by_variables_the_answer_has_its_figure_or_its_reason(store: Store) -> None:
    """Accepted with (limit - mean) / s against k; where U decides nothing is said."""
    check = {"name": "ratio", "lines": ["tr_sin"], "plan": "k method"}
    check |= {"good": 0.01, "accept": 0.95, "bad": 0.2, "accept_bad": 0.1}
    lot = open_sample(store, a_file(check=[check]), SERIALS)
    n = lot.checks[0].n
    assert (n, round(lot.checks[0].k or 0.0, 4)) == (9, 1.5303)
    values = (0.290, 0.310, 0.296, 0.304, 0.301, 0.299, 0.308, 0.292, 0.300)
    for unit, value in zip(lot.units[:n], values, strict=True):
        keep_run(store, lot, unit.label, a_judgement(tr_sin=value))
    group = answer_of(Lot(store, lot.name)).groups[0]
    assert group.answer == "accepted" and "against k 1.53" in group.why
    alike = open_sample(store, a_file(lot="L-0002", check=[check]), SERIALS)
    for n, unit in enumerate(alike.units[:9]):
        keep_run(store, alike, unit.label, a_judgement(tr_sin=0.300 + 1e-4 * n))
    group = answer_of(Lot(store, "L-0002")).groups[0]
    assert group.answer == "open" and "measurement decides" in group.why


def decide(store: Store, n: int, answer: str, **file: object) -> None:
    """A lot with a decision, its groups answering so."""
    name = f"L-{n:04d}"
    open_sample(store, a_file(lot=name, **file), freeze=False)
    group = {"answer": answer, "nonconforming": int(answer != "accepted"), "every_unit": False}
    groups = {"ratio and error": group, "critical": {**group, "every_unit": True}}
    enter(store, LotDecision(lot=name, decision="x", plan_answer=answer, why="y", who="operator 2", groups=groups))


def test_severity_is_of_supplier_part_and_group_and_a_lot_counts_once(store: Store) -> None:
    """Two of five refused tighten the group that refused; a second decision, a resubmitted lot and a 100 % group do
    nothing; the next lot's plan is a tightened one."""
    decide(store, 1, "not accepted")
    book = LotBook(store)
    enter(
        store,
        LotDecision(
            lot="L-0001",
            decision="z",
            plan_answer="not accepted",
            why="again",
            who="operator 2",
            groups={"ratio and error": {"answer": "not accepted", "nonconforming": 1, "every_unit": False}},
        ),
    )
    decide(store, 2, "not accepted", resubmitted="L-0001")
    series = states(book, "Fallowmere (invented)", "KX4-2207")
    assert series["ratio and error"][-1].state.severity == "normal"
    decide(store, 3, "not accepted", supplier="Another (invented)")
    decide(store, 4, "not accepted")
    series = states(book, "Fallowmere (invented)", "KX4-2207")
    assert series["ratio and error"][-1].state.severity == "tightened"
    assert series["critical"][-1].state.severity == "normal"
    lot = open_sample(store, a_file(lot="L-0005", quantity=100))
    assert lot.checks[1].words == "MIL-STD-105E, tightened, level II, AQL 2.5, code F: n 32, Ac 1, Re 2"
    act = SeverityAct(
        supplier="Fallowmere (invented)",
        part="KX4-2207",
        group="ratio and error",
        kind="reduce",
        why="steady",
        who="operator 2",
    )
    with pytest.raises(UsageError, match=r"4\.7\.3 a"):
        checked_act(book, act)


def test_words_have_their_figures(store: Store) -> None:
    """Before: what the plan lets through; after: this lot, then the next, apart."""
    lot = open_sample(store, a_file(), SERIALS)
    told = [str(sentence) for sentence in before(lot.checks, 20)]
    assert told == [
        "ratio and error: a lot with 2 bad of 20 passes this plan 55 times in 100.",
        "ratio and error: a lot with 4 bad of 20 passes this plan 28 times in 100.",
        "To find 2 bad of 20 with a probability of 90 % you test 14.",
    ]
    found = answer_of(run_all(store, lot))
    assert [str(s) for s in after(found.groups[1], 20)] == [
        "ratio and error: 5 good of 5 tested; of this lot of 20, up to 8 bad can't be excluded (95 %).",
        "ratio and error: of the next lot, below 45.1 % bad (95 %), if it comes from the same process; 5 units say no "
        "more.",
        "To say that 95 % of further units are good, with 95 %, takes 59 without a failure.",
    ]
    assert "below 13.9 % bad" in str(after(found.groups[0], 20)[1])


def test_a_lot_file_is_refused_by_line_and_key(tmp_path: Path) -> None:
    """One line in two plans, Ac >= Re, an AQL of no table, a line that nobody knows."""
    path = tmp_path / "lot.toml"
    head = 'schema = "anglewright lot 1"\nlot = "L-1"\nsupplier = "x"\npart = "KX4-2207"\nquantity = 20\n'
    for body, words in (
        (
            '[[check]]\nname = "a"\nlines = ["tr_*"]\nplan = "all"\n'
            '[[check]]\nname = "b"\nlines = ["tr_sin"]\nplan = "all"',
            "one line, one plan",
        ),
        ('[[check]]\nname = "a"\nlines = ["tr_*"]\nplan = "own"\nn = 5\nAc = 1\nRe = 1', "Ac below Re"),
        ('[[check]]\nname = "a"\nlines = ["tr_*"]\nplan = "MIL-STD-105E"\naql = 2.0', "aql of the table"),
        ('[[check]]\nname = "a"\nlines = ["colour"]\nplan = "all"', "is no line"),
        ('[[check]]\nname = "a"\nlines = ["visual"]\nplan = "all"', "name what is looked at"),
        ("quantities = 3", "nearest known key is 'quantity'"),
    ):
        path.write_text(head + body)
        with pytest.raises(DescriptionError, match=words):
            load_lot(path)
    with pytest.raises(UsageError, match="check 'a'"):
        plan_numbers(Check.model_construct(name="a", lines=("tr_*",), plan="own", n=0, Ac=0, Re=1), 5, "normal")
    assert LotFile.model_validate(a_file().model_dump(mode="json", by_alias=True)) == a_file()


def test_an_entry_that_was_taken_out_of_the_book_shows(store: Store) -> None:
    """The chain names the lot."""
    open_sample(store, a_file(), SERIALS)
    next((store.home / "book").glob("*-lot-delivery-*.json")).unlink()
    with pytest.raises(RecordError, match="lot L-0001 is broken"):
        Lot(store, "L-0001")
    with pytest.raises(UsageError, match="no lot 'L-9'"):
        Lot(store, "L-9")


def test_a_suspect_reopens_a_decision_and_stands_first_with_the_supplier(store: Store) -> None:
    """Until it is cleared; a decision made after it stands."""
    lot = run_all(store, open_sample(store, a_file(), SERIALS))
    decided = LotDecision(lot=lot.name, decision="accepted", plan_answer="accepted", why="", who="operator 2")
    enter(store, decided)
    assert (Lot(store, lot.name).suspects, Lot(store, lot.name).reopened) == ([], "")
    run = lot.unit("S03").runs[0].path
    put_suspect(run, {"instrument": "A-001", "role": "multimeter", "until": "2026-11-30"})
    found = Lot(store, lot.name)
    assert [label for label, _ in found.suspects] == ["S03"]
    on = found.decisions[-1].at_utc[:10]
    assert found.reopened == f"reopened: S03 is suspect since the decision of {on}; decide again"
    told = supplier_view(store, found.opened.supplier).suspects
    assert told[0].startswith("L-0001 S03: suspect: multimeter A-001") and "decide again" in told[1]
    assert any("decide again" in row for row in page_rows(found))
    settle_entry(run, "suspect.json", "cleared", why="another range", who="bench lead")
    assert (Lot(store, lot.name).suspects, Lot(store, lot.name).reopened) == ([], "")
