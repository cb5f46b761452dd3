"""A sitting: the next unit by itself, four acts a unit, no serial taken silently, nothing tested twice; scans, keys."""

import os
import sys
import threading
import time
from collections.abc import Iterator, Mapping
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from lot_samples import a_file, a_judgement, keep_run, open_sample, undecided

from rig.errors import BenchError, DescriptionError, SafetyStop, UsageError
from rig.jobs.kept.kept_run import Finished
from rig.jobs.lot import arming, opening
from rig.jobs.lot.closing import close
from rig.jobs.lot.desk import NextUnit
from rig.jobs.lot.sitting import Sitting
from rig.jobs.lot.unit_runs import Asked, Sat
from rig.jobs.operator import scanner
from rig.jobs.operator.scanner import Entry, read_entry
from rig.jobs.run_job import Request
from rig.records.store import Store
from rig.result import Judgement
from rig.review.lots.lot import Lot

SERIALS = [f"PT-{n:03d}" for n in range(1, 21)]


class Script:
    """A desk that scans what was picked, unless the script says otherwise at a label."""

    def __init__(self, odd: Mapping[str, list[str]] | None = None) -> None:
        self.odd = {label: list(entries) for label, entries in (odd or {}).items()}
        self.shown: list[NextUnit] = []
        self.asked: list[str] = []
        self.told: list[str] = []
        self.scans = 0

    def show(self, unit: NextUnit) -> None:
        self.shown.append(unit)

    def read(self) -> Entry:
        unit = self.shown[-1]
        assert len(self.shown) < 60, "the sitting goes round in circles"
        if own := self.odd.get(unit.label):
            text = own.pop(0)
            return Entry("key", text) if len(text) == 1 else Entry("end") if text == "end" else Entry("scan", text)
        self.scans += 1
        return Entry("scan", unit.listed or f"PT-{unit.position:03d}")

    def ask(self, question: str, keys: Mapping[str, str]) -> str:
        self.asked.append(question)
        own = self.odd.get(self.shown[-1].label)
        return own.pop(0) if own else "s" if "s" in keys else "g"

    def line(self, question: str) -> str:
        return self.odd[self.shown[-1].label].pop(0)

    def tell(self, text: str, *, trouble: bool = False) -> None:
        self.told.append(text)

    def run(self, request: Request, details: Mapping[str, object]) -> Finished:
        return BENCHES[-1](request, details)


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Store:
    monkeypatch.setenv("ANGLEWRIGHT_HOME", str(tmp_path))
    return Store(tmp_path)


BENCHES: list["Bench"] = []


class Bench:
    """Stands for the bench's controller: keeps a run with the judgement that is due to the serial number."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.requests: list[Request] = []
        self.details: list[Mapping[str, object]] = []
        self.due: dict[str, list[Judgement | Exception]] = {}

    def __call__(self, request: Request, details: Mapping[str, object]) -> Finished:
        self.requests.append(request)
        self.details.append(details)
        due = self.due.get(request.serial) or [a_judgement()]
        judgement = due.pop(0) if len(due) > 1 else due[0]
        if isinstance(judgement, Exception):
            raise judgement
        label = str(details.get("label", ""))
        lot = Lot(self.store, request.job)
        told = {
            "sequence": request.sequence,
            "retest_of": request.retest_of,
            "details": {"lot": dict(details)},
        }
        run = keep_run(self.store, lot, label or lot.units[0].label, judgement, request.serial, **told)
        return Finished(stored=run, judgement=judgement, files={})

    @property
    def units(self) -> list[str]:
        return [request.serial for request in self.requests if request.sequence != "check_standard"]


@pytest.fixture
def bench(store: Store) -> Bench:
    BENCHES.append(Bench(store))
    return BENCHES[-1]


def sit(store: Store, desk: Script, **asked: Any) -> Sat:
    return Sitting(store, "L-0001", desk, Asked(operator="operator 2", **asked)).sit()


def test_a_lot_goes_on_by_itself_with_one_scan_a_unit(store: Store, bench: Bench) -> None:
    """Six units in the order of the pick list; standards first and last; no question; nothing is left at the end."""
    lot = open_sample(store, a_file(quantity=6), SERIALS[:6], freeze=False)
    desk = Script()
    done = sit(store, desk)
    assert (len(done.units), done.ended, desk.scans, desk.asked) == (6, "every unit of the plan has been tested", 6, [])
    sequences = [request.sequence for request in bench.requests]
    assert sequences == ["check_standard", *["full_test"] * 5, "quick_screen", "check_standard"]
    assert [shown.place for shown in desk.shown] == [(n, 6) for n in range(1, 7)]
    lot = Lot(store, "L-0001")
    assert [entry.what for entry in lot.sittings] == ["begun", "ended"] and lot.sittings[0].outcome == "in order"
    assert sit(store, Script()).units == []
    assert len(bench.units) == 6


def test_standards_are_taken_again_after_so_many_units(store: Store, bench: Bench) -> None:
    """First, between, last; left out by the person it is entered."""
    open_sample(store, a_file(quantity=5, standards_every=2), SERIALS[:5], freeze=False)
    sit(store, Script())
    kinds = [str(details.get("standards", "")) for details in bench.details]
    assert [kind for kind in kinds if kind] == ["first", "between", "between", "last"]
    open_sample(store, a_file(lot="L-0009", quantity=2), SERIALS[7:9], freeze=False)
    Sitting(store, "L-0009", Script(), Asked(standards=False, most=1)).sit()
    assert Lot(store, "L-0009").sittings[0].outcome == "left out by the person"


def test_twenty_swapped_labels_are_all_told(store: Store, bench: Bench) -> None:
    """At each unit another one of the lot, a tested one or a stranger is scanned first; none is taken."""
    lot = open_sample(store, a_file(check=[{"name": "all", "lines": ["tr_*"], "plan": "all"}]), SERIALS)
    labels = [unit.label for unit in lot.units]
    wrong = {label: [lot.units[(n + 7) % 20].serial, "s"] for n, label in enumerate(labels)}
    desk = Script(wrong)
    done = sit(store, desk)
    assert done.swapped == 20 and len(desk.asked) == 20 and len(done.units) == 20
    assert bench.units == [unit.serial for unit in lot.units]
    assert all(unit.label in question for unit, question in zip(lot.units, desk.asked, strict=True))
    told = [text for unit in Lot(store, "L-0001").units for text in unit.told]
    assert sum(text.startswith("scanned again") for text in told) == 20


def test_another_unit_may_be_tested_as_its_own_number(store: Store, bench: Bench) -> None:
    """t tests it under its own label; the pick stays the next; one that is in no sample is not offered."""
    lot = open_sample(store, a_file(quantity=4), SERIALS[:4])
    first, other = lot.units[0], lot.units[2]
    desk = Script({first.label: [other.serial, "t"]})
    sit(store, desk, most=2)
    assert bench.units == [other.serial, first.serial]
    assert Lot(store, "L-0001").unit(other.label).runs
    assert desk.shown[1].label == first.label


def test_strangers_tested_ones_and_look_alikes_are_refused(store: Store, bench: Bench) -> None:
    """A serial of no list, one that was tested as S01, and O read for 0: none is taken silently."""
    lot = open_sample(store, a_file(quantity=3), SERIALS[:3])
    first, second, _ = lot.units
    odd = {second.label: ["ZZ-9", "x", first.serial, "s", second.serial.replace("0", "O"), "s", "", "s", "e"]}
    desk = Script(odd)
    done = sit(store, desk)
    assert "not on the supplier's list" in desk.asked[0]
    assert f"which was tested as {first.label}" in desk.asked[1]
    assert "easily read for" in desk.asked[2]
    assert done.ended == "ended by the person" and bench.units == [first.serial]


def test_missing_and_left_out_units_have_a_reason(store: Store, bench: Bench) -> None:
    """Without a reason nothing is entered; with one the sample moves on."""
    lot = open_sample(store, a_file(quantity=20), SERIALS)
    label = lot.units[0].label
    desk = Script({label: ["m", "", "m", "not in the box"], lot.units[1].label: ["l", "connector crushed", "end"]})
    sit(store, desk, most=3)
    here = Lot(store, "L-0001")
    assert (here.unit(label).aside, here.unit(label).why) == ("missing", "not in the box")
    assert here.units[1].aside == "left out"
    assert "a reason is needed" in " ".join(desk.told)
    assert bench.units == [unit.serial for unit in lot.units[2:5]]


def test_one_retest_is_offered_at_once_and_only_one(store: Store, bench: Bench) -> None:
    """r at the next label seats the last one again; both runs stay, the second is a retest of the first."""
    lot = open_sample(store, a_file(quantity=3), SERIALS[:3])
    first, second, _ = lot.units
    bench.due[first.serial] = [a_judgement(error_max_elec_arcmin=200.0), a_judgement(error_max_elec_arcmin=190.0)]
    desk = Script({second.label: ["r", "r"]})
    sit(store, desk)
    assert bench.units == [first.serial, first.serial, second.serial, lot.units[2].serial]
    runs = Lot(store, "L-0001").unit(first.label).runs
    assert len(runs) == 2 and runs[1].header.retest_of == runs[0].id
    assert [shown.retest for shown in desk.shown[:3]] == ["", first.label, ""]
    tag = (store.home / "lots" / "L-0001" / f"{first.label}-hold.txt").read_text()
    assert "nonconforming: error_max_elec_arcmin" in tag


def test_faults_of_the_bench_leave_the_unit_next_and_end_after_three(store: Store, bench: Bench) -> None:
    """A stop (an open guard) never ends the sitting by itself; three faults in a row do."""
    lot = open_sample(store, a_file(quantity=3), SERIALS[:3])
    first = lot.units[0]
    stop: list[Judgement | Exception] = [SafetyStop("guard opened", code="guard-open", next_action="Close it.")]
    bench.due[first.serial] = [*stop * 4, a_judgement()]
    done = sit(store, Script())
    assert done.units and len(done.units) == 3 and bench.units.count(first.serial) == 5
    open_sample(store, a_file(lot="L-0002", quantity=3), SERIALS[3:6])
    serial = Lot(store, "L-0002").units[0].serial
    bench.due[serial] = [BenchError("no reply", next_action="Look.")] * 9
    done = Sitting(store, "L-0002", Script(), Asked()).sit()
    assert done.ended == "3 faults of the bench in a row" and done.faults == 3 and done.units == []


def test_a_unit_that_was_seen_before_is_asked_about(store: Store, bench: Bench) -> None:
    """The list tells it by row, the scan tells it again; only t goes on."""
    old = open_sample(store, a_file(lot="L-0000", quantity=1), ["PT-002"])
    keep_run(store, old, "S01", a_judgement(tr_sin=0.2))
    lot = open_sample(store, a_file(quantity=3), SERIALS[:3])
    label = next(unit.label for unit in lot.units if unit.serial == "PT-002")
    desk = Script({label: ["PT-002", "s", "PT-002", "t"]})
    done = sit(store, desk)
    assert len(done.units) == 3
    assert desk.asked[0].startswith("PT-002 was tested before, under L-0000 on 2026-11-30: outside limits")


def test_what_is_looked_at_goes_down_by_single_keys(store: Store, bench: Bench, tmp_path: Path) -> None:
    """g, b, and p for the newest photo, which goes with the unit's run."""
    (tmp_path / "shots").mkdir()
    (tmp_path / "shots" / "a.jpg").write_bytes(b"\xff\xd8\xff\xe0 picture")
    check = [{"name": "finish", "lines": ["visual"], "plan": "own", "n": 1, "Ac": 0, "Re": 1}]
    file = a_file(quantity=2, look_at=["rub marks", "pins"], photos=str(tmp_path / "shots"), check=check)
    lot = open_sample(store, file, SERIALS[:2])
    unit = lot.units[0]
    sit(store, Script({unit.label: [unit.serial, "g", "p", "b"]}))
    here = Lot(store, "L-0001").unit(unit.label)
    assert here.seen == {"rub marks": "good", "pins": "bad"}
    assert (here.runs[0].path / "photo.jpg").exists()
    counted = Lot(store, "L-0001").count_of(Lot(store, "L-0001").checks[0], here)
    assert counted.bad == ("visual: pins",)


def test_a_decision_needs_a_reason_and_sorting_needs_every_unit(store: Store, bench: Bench, tmp_path: Path) -> None:
    """The plan's answer stands beside the person's; the report is three files."""
    open_sample(store, a_file(), SERIALS)
    sit(store, Script(), most=2)
    with pytest.raises(UsageError, match="without a reason"):
        close(store, "L-0001", decision="accepted", why="", who="operator 2", out=tmp_path)
    with pytest.raises(UsageError, match="18 units were not tested"):
        close(store, "L-0001", decision="sorted", why="all looked at", who="operator 2", out=tmp_path)
    made = close(store, "L-0001", decision="used as is", why="line stands", who="operator 2", out=tmp_path / "out")
    assert made.answer == "open" and made.warnings and set(made.files) == {"pdf", "csv", "json"}
    assert all(Path(path).stat().st_size > 100 for path in made.files.values())
    assert Lot(store, "L-0001").decisions[0].groups["critical"]["not_tested"] == 18


# ---- lists of serial numbers --------------------------------------------------------------------------------------


def test_doubtful_rows_are_told_by_their_number(store: Store, tmp_path: Path) -> None:
    """Blank, doubled, look-alike, unlabelled, seen before, more than delivered; a foreign coding is named."""
    old = open_sample(store, a_file(lot="L-0000", quantity=1), ["AB-1"])
    keep_run(store, old, "S01", a_judgement())
    path = tmp_path / "serials.csv"
    path.write_bytes(
        "Serial No;Box;Claimed tr_sin;Größe\nPT/AB-1;1;0,301;5\n;2;;\nPT/AB-2;2;x;5\nPT/AB-1;3;;\n\nPT/AB-O2;4;;\n"
        "QQ;5;;\nPT/AB-3;6;0,3;\nPT/AB-4;7;;\n".encode("cp1252")
    )
    file = a_file(lot="L-0002", quantity=3, serials=str(path), label={"pattern": r"PT/(?P<serial>.+)"})
    made = opening.open_lot(store, file, who="operator 2")
    assert [row["serial"] for row in made.lot.rows] == ["AB-1", "AB-2", "AB-O2", "AB-3", "AB-4"]
    told = "\n".join(made.told)
    for words in (
        "Windows-1252",
        "columns left aside: größe",
        "row 2: AB-1 was tested before, under L-0000",
        "row 3: no serial number",
        "row 4: tr_sin claimed as 'x'",
        "row 5: AB-1 stands in row 2 already",
        "row 6: blank",
        "row 8: 'QQ' does not fit the rule",
        "5 units, 3 were delivered: rows 9, 10 are over",
    ):
        assert words in told, words
    assert made.lot.claims == {"AB-1": {"tr_sin": 0.301}, "AB-3": {"tr_sin": 0.3}}
    with pytest.raises(UsageError, match="is open already"):
        opening.open_lot(store, file, who="operator 2")
    (tmp_path / "none.csv").write_text("colour\nred\n")
    with pytest.raises(DescriptionError, match="no column of serial numbers"):
        opening.open_lot(store, a_file(lot="L-7", serials=str(tmp_path / "none.csv")), who="")


def test_deliveries_add_up_until_the_plan_is_frozen(store: Store, bench: Bench, tmp_path: Path) -> None:
    """The second list is held against the first; after the first sitting a delivery is a lot of its own."""
    for name, serials in (("a", SERIALS[:3]), ("b", SERIALS[2:5])):
        (tmp_path / f"{name}.csv").write_text("\n".join(["serial", *serials]))
    opening.open_lot(store, a_file(quantity=3, told=6, serials=str(tmp_path / "a.csv")), who="")
    made = opening.deliver(store, "L-0001", 2, str(tmp_path / "b.csv"))
    assert made.lot.quantity == 5 and any("an earlier delivery" in one for one in made.told)
    assert any("5 delivered, 6 on the papers" in one for one in made.told)
    sit(store, Script(), most=1)
    with pytest.raises(UsageError, match="frozen"):
        opening.deliver(store, "L-0001", 1, "")


# ---- scans and keys -----------------------------------------------------------------------------------------------


@pytest.fixture
def hand(monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    """The other side of a pseudo-terminal that is standard input."""
    master, seat = os.openpty()
    stream = os.fdopen(seat, "r")
    monkeypatch.setattr(sys, "stdin", stream)
    yield master
    stream.close()
    os.close(master)


def typed(hand: int, pieces: list[tuple[float, bytes]]) -> threading.Thread:
    def run() -> None:
        for pause_s, data in pieces:
            time.sleep(pause_s)
            os.write(hand, data)

    thread = threading.Thread(target=run)
    thread.start()
    return thread


def test_a_burst_is_a_scan_and_one_character_a_key(hand: int) -> None:
    """Also a code with separators; a line typed slowly is no scan, unless it has the scanner's prefix."""
    thread = typed(hand, [(0.2, b"PT-240712\n"), (0.6, b"m"), (0.8, b"SUP\x1dPT-7\x1e1\r")])
    assert read_entry(400.0, 4) == Entry("scan", "PT-240712")
    assert read_entry(50.0, 4) == Entry("key", "m")
    assert read_entry(400.0, 4) == Entry("scan", "SUP|PT-7|1")
    thread.join()
    slow = [(0.15, letter.encode()) for letter in "PT-1\n"]
    thread = typed(hand, [*slow, (0.3, b"k")])
    assert read_entry(50.0, 4) == Entry("key", "k")
    thread.join()
    thread = typed(hand, [(0.15, letter.encode()) for letter in "]PT-1\n"])
    assert read_entry(50.0, 4, "]") == Entry("scan", "]PT-1")
    thread.join()


def test_without_a_terminal_each_line_is_a_scan(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A line of one character is a key; the end of the file is the end."""
    (tmp_path / "lines").write_text("PT-1\nr\n" + "x" * 99 + "\n")
    with (tmp_path / "lines").open() as lines:
        monkeypatch.setattr(sys, "stdin", lines)
        found = [read_entry(35.0, 4) for _ in range(4)]
    assert [entry.kind for entry in found] == ["scan", "key", "scan", "end"]
    assert len(found[2].text) == scanner.LONGEST


def test_labels_by_the_lots_rule() -> None:
    """Prefix, separator and field, and a pattern."""
    label = a_file(label={"prefix": "]C1", "separator": "|", "field": 1, "strip": " *"}).label
    assert label.serial("]C188137|*PT-7*|20") == "PT-7"
    assert label.serial("]C188137") == ""
    with pytest.raises(ValueError, match="group named serial"):
        a_file(label={"pattern": "PT-(.*)"})


def test_a_sitting_waits_for_the_guard_before_it_asks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Open guard: said once, looked at again and again; closed: the arming prompt's turn, nothing else arms."""
    from drivers.roles import InterlockState
    from rig.control.arming.arming import Arming

    states = [InterlockState(guard_closed=False, emergency_stop=False)] * 3
    states += [InterlockState(guard_closed=True, emergency_stop=False)] * 9
    beats: list[int] = []
    bench: Any = SimpleNamespace(
        guard=SimpleNamespace(arming=Arming()),
        interlock=SimpleNamespace(state=lambda: states.pop(0)),
        token=SimpleNamespace(check=lambda: None),
        watchdog=SimpleNamespace(progress=lambda: beats.append(1)),
    )
    told: list[str] = []
    monkeypatch.setattr(arming, "by_hand", lambda one: "asked" if one is bench else "")
    assert arming.when_closed(told.append)(bench) == "asked"  # type: ignore[comparison-overlap]
    assert len(told) == 1 and "guard" in told[0] and len(beats) == 3


def test_undecided_units_are_named_on_their_tag(store: Store, bench: Bench) -> None:
    """Neither good nor bad: on hold, with the line that has no verdict."""
    lot = open_sample(store, a_file(quantity=2), SERIALS[:2])
    bench.due[lot.units[0].serial] = [undecided()]
    sit(store, Script(), most=1)
    tag = (store.home / "lots" / "L-0001" / "S01-hold.txt").read_text()
    assert "undecided: tr_sin: interference" in tag
