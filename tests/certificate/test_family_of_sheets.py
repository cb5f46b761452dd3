"""The other reports of the family: a unit's history, donors side by side, a lot, calibration status."""

from __future__ import annotations

import io
import random
import re
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pikepdf
import pytest
import sample
from lot_samples import a_file, a_judgement, keep_run, open_sample

from rig.answer import Curves
from rig.certificate.issue import issue, withdraw
from rig.certificate.sheets.calibration import calibration_sheet
from rig.certificate.sheets.donors import donor_sheet
from rig.certificate.sheets.history import history_sheet
from rig.certificate.sheets.lot import lot_sheet
from rig.certificate.sheets.lot_files import lot_csv, lot_document
from rig.certificate.sheets.lot_papers import defect_sheet, return_sheet
from rig.certificate.sheets.sheet import Plots, Sheet, Table, Text, sheet_data, sheet_pdf
from rig.certificate.shop import Shop
from rig.errors import UsageError
from rig.records.book.lots import LotBook
from rig.records.store import Store
from rig.result import Judgement
from rig.review.lots.answer import answer_of
from rig.review.lots.lot import Lot
from rig.review.units.margins import margin

SHOP = Shop(name="Tallow Street Motors (invented)", country="GB")
REAL: dict[str, Any] = {"simulated": False, "current": True}
STAGES = (
    ("as received", "2026-11-20T09:15:00Z", 0.2512),
    ("after cleaning", "2026-11-21T09:15:00Z", 0.2860),
    ("after soak", "2026-11-25T10:15:00Z", 0.2861),
)


def judgement(seed: int, **changed: float) -> Judgement:
    rng = random.Random(seed)
    lines = tuple(
        sample.a_line(id_, changed.get(id_, y if id_ == "pole_pairs" else y * (1 + 0.005 * rng.gauss(0, 1))))
        for id_, (y, *_) in sample.LINES.items()
    )
    bad = any(line.verdict.value == "fail" for line in lines)
    outcome = "outside limits" if bad else "within limits"
    return Judgement(outcome=outcome, judged=lines, reasons=(), findings=(), curves=Curves.from_dict(sample.curves(64)))


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Store:
    kept = Store(tmp_path_factory.mktemp("home"))
    for n, (condition, begun, tr) in enumerate(STAGES):
        header = sample.a_header(**REAL, condition=condition, started_utc=begun)
        run = sample.stored(kept.home, judgement(n, tr_sin=tr), header)
        if n:
            issue(kept, run)
    withdraw(kept, kept.ids()[1], "wrong adapter")
    for n in range(4):
        header = sample.a_header(**REAL, serial=f"93-0050{n}", started_utc=f"2026-11-22T{8 + n:02d}:15:00Z")
        sample.stored(kept.home, judgement(10 + n), header)
    return kept


def a_lot(store: Store) -> Lot:
    """Twenty units, five tested, S02 with a low resistance; made at its first use."""
    if "L-0001" not in LotBook(store).names():
        made = open_sample(store, a_file(seed=46021), [f"PT-{n:03d}" for n in range(1, 21)])
        for unit in made.units[:5]:
            keep_run(store, made, unit.label, a_judgement(r20_sin=12.0 if unit.label == "S02" else 15.0))
    return Lot(store, "L-0001")


@pytest.fixture
def lot(tmp_path: Path) -> Lot:
    return a_lot(Store(tmp_path))


def table(sheet: Sheet, title: str) -> Table:
    return next(block for block in sheet.blocks if isinstance(block, Table) and block.title == title)


def all_sheets(store: Store) -> dict[str, Callable[[Shop], Sheet]]:
    ids = store.ids()
    return {
        "history": lambda shop: history_sheet(store, "", "93-00417", shop),
        "donors": lambda shop: donor_sheet([store.find(i) for i in (ids[0], ids[2], ids[4])], shop),
        "lot": lambda shop: lot_sheet(a_lot(store), answer_of(a_lot(store)), shop),
        "defects": lambda shop: defect_sheet(a_lot(store), answer_of(a_lot(store)), shop),
        "return": lambda _: return_sheet(a_lot(store), answer_of(a_lot(store))),
        "calibration": lambda _: calibration_sheet(store, on=date(2027, 1, 20)),
    }


@pytest.mark.parametrize("kind", ["history", "donors", "lot", "defects", "return", "calibration"])
def test_each_is_an_archive_file_in_the_shops_language(kind: str, store: Store) -> None:
    """PDF/A-3b with the shop's name, on the shop's paper, in German with a decimal comma; byte for byte repeatable."""
    shop = SHOP.model_copy(update={"language": "de", "paper": "us-letter", "temperature": "degF", "angle": "deg"})
    sheet = all_sheets(store)[kind](shop)
    pdf = sheet_pdf(sheet, shop, issued_utc=sample.ISSUED)
    assert pdf == sheet_pdf(sheet, shop, issued_utc=sample.ISSUED)
    with pikepdf.open(io.BytesIO(pdf)) as held:
        with held.open_metadata() as meta:
            assert (meta["pdfaid:part"], meta["pdfaid:conformance"]) == ("3", "B")
        assert [round(float(edge)) for edge in held.pages[0].mediabox] == [0, 0, 612, 792]
    told = sheet_data(sheet, shop)
    titles = {"history": "Lebenslauf des Teils", "donors": "Spendervergleich", "lot": "Losbericht"}
    titles |= {"defects": "Mängelbericht", "return": "Rückgabe von Teilen"}
    assert told["title"] == titles.get(kind, "Kalibrierstand")
    assert told["language"] == "de"


def test_a_history_tells_runs_changes_and_reports(store: Store) -> None:
    """Every run in order with its condition and outcome; a change beyond its uncertainty is told; reports too."""
    sheet = history_sheet(store, "QS4-0093", "93-00417", SHOP)
    runs = table(sheet, "Runs")
    assert [row[2] for row in runs.rows] == [stage[0] for stage in STAGES]
    assert runs.rows[0][5] == {"verdict": "fail", "words": "outside limits"}
    assert runs.rows[0][6] == ""
    assert "(withdrawn on 20" in str(runs.rows[1][6])
    assert "(in force)" in str(runs.rows[2][6])
    rows = table(sheet, "What changed between conditions").rows
    tr = [row for row in rows if row[0] == "Transformation ratio, sine"]
    assert [row[1] for row in tr] == ["as received → after cleaning", "after cleaning → after soak"]
    assert tr[0][5] == {"strong": "more than its uncertainty"}
    assert tr[1][5] == {"quiet": "within its uncertainty"}
    assert tr[0][4] == {"value": ("0.03480", "0.00059", "")}
    plots = next(block for block in sheet.blocks if isinstance(block, Plots))
    assert [plot.name for plot in plots.plots] == ["error_max_elec_arcmin", "tr_sin", "r20_sin", "null_total_sin_v"]


def test_an_unknown_or_ambiguous_serial_is_told(store: Store, tmp_path: Path) -> None:
    """A serial that no run has, or that two parts share, is refused with what to give."""
    with pytest.raises(UsageError, match="is unknown"):
        history_sheet(store, "", "nobody", SHOP)
    with pytest.raises(UsageError, match="no run of part"):
        history_sheet(store, "X", "93-00417", SHOP)
    other = Store(tmp_path)
    for number in ("QS4-0093", "QS4-0094"):
        sample.stored(tmp_path, sample.good(), sample.a_header(part={**sample.PART, "number": number}))
    with pytest.raises(UsageError, match="known under 2 parts"):
        history_sheet(other, "", "93-00417", SHOP)


def test_donors_stand_side_by_side_with_their_margin(store: Store) -> None:
    """Each unit has its outcome and the smallest share of a tolerance that is left; the worst line says where."""
    ids = store.ids()
    runs = [store.find(i) for i in (ids[0], ids[6], ids[4])]
    sheet = donor_sheet(runs, SHOP)
    rows = table(sheet, "Units").rows
    assert rows[0][2] == {"verdict": "fail", "words": "outside limits"}
    assert rows[0][4] == "Transformation ratio, sine"
    assert str(rows[0][3]).startswith("\u2212")
    first = runs[0].judgement
    assert first is not None
    free = margin(first)
    half = (0.335 - 0.265) / 2
    line = first.line("tr_sin")
    assert line is not None and line.result is not None and line.result.U is not None
    assert free == (pytest.approx(1 - (abs(0.2512 - 0.30) + line.result.U) / half), "tr_sin")
    names = [str(cell) for cell in table(sheet, "Every line with a limit").head]
    assert [name for name in names if name.startswith("93-")] == [
        f"93-00417 ({ids[0][-4:]})",
        f"93-00417 ({ids[6][-4:]})",
        runs[2].header.serial,
    ]
    plots = [block for block in sheet.blocks if isinstance(block, Plots)]
    assert [block.title for block in plots] == ["Over one turn of the rotor", "By orders of a turn"]
    assert [len(block.plots[0].legend) for block in plots] == [3, 3]
    assert plots[1].plots[0].svg.count("<circle") == 3 * sum(0 < n <= 32 for n in sample.curves(64)["orders"])


def test_a_donor_report_says_which_to_fit_and_what_was_measured_differently(store: Store) -> None:
    """An opinion with its figures; the failed unit is named with its line, the difference in condition is told."""
    ids = store.ids()
    sheet = donor_sheet([store.find(i) for i in (ids[0], ids[3], ids[4])], SHOP)
    advised = table(sheet, "Which to fit")
    assert advised.aside == "an opinion, in figures" and str(advised.head[0]).startswith("fit 93-0050")
    assert any("not 93-00417: outside limits" in str(row[0]) for row in advised.rows)
    assert any(text.startswith("Not measured alike: condition") for text in sheet.statements)


def test_donors_must_be_comparable(store: Store, tmp_path: Path) -> None:
    """One unit, five units, two part numbers or an unjudged run can't be compared."""
    runs = [store.find(i) for i in store.ids()]
    for chosen in (runs[:1], runs[:5]):
        with pytest.raises(UsageError, match="can't stand side by side"):
            donor_sheet(chosen, SHOP)
    other = sample.stored(tmp_path, sample.good(), sample.a_header(part={**sample.PART, "number": "QS4-0094"}))
    with pytest.raises(UsageError, match="2 part numbers"):
        donor_sheet([runs[0], other], SHOP)
    bare = Store(tmp_path)
    unjudged = bare.finish(bare.begin(sample.a_header()))
    with pytest.raises(UsageError, match="was not judged"):
        donor_sheet([runs[0], unjudged], SHOP)


def test_a_lot_says_what_was_tested_what_was_not_and_what_follows(lot: Lot) -> None:
    """Plan with source and seed, each unit with why, plain words, both rules, what was not tested with its number."""
    sheet = lot_sheet(lot, answer_of(lot), SHOP)
    facts = dict(sheet.facts)
    assert (facts["Tested"], facts["Not tested"], facts["Seed of the pick list"]) == ("5", "15", "46021")
    assert facts["The plan's answer"] == "not accepted"
    rows = {str(row[0]["strong"]): row for row in table(sheet, "Units").rows if not isinstance(row[0], str)}
    assert rows["S02"][4] == "critical: nonconforming"
    assert rows["S02"][5] == {"quiet": "Coil resistance, sine, at 20 °C"}
    assert rows["S09"][3] == {"verdict": "not tested", "words": "not tested"}
    row = next(
        r for r in table(sheet, "Lines with a limit, over the units").rows if r[0] == "Transformation ratio, sine"
    )
    assert (row[1], row[2], row[7]) == ("5", "0.3000", "5 pass")
    words = [block.text for block in sheet.blocks if isinstance(block, Text)]
    assert "critical: 4 good of 5 tested; of this lot of 20, up to 12 bad can't be excluded (95 %)." in words
    assert any(text.startswith("Not tested, 15 of 20: S06, S07") for text in words)
    assert any("only a nonconformity beyond U counts" in text for text in sheet.statements)
    plots = [plot.name for block in sheet.blocks if isinstance(block, Plots) for plot in block.plots]
    assert plots[0] == "operating characteristic" and "tr_sin" in plots
    with pytest.raises(UsageError, match="nothing was read yet"):
        lot_sheet(open_sample(lot.store, a_file(lot="L-0002"), freeze=False), answer_of(lot), SHOP)


def test_a_lots_other_faces_and_papers_hold_the_same(lot: Lot) -> None:
    """CSV and JSON unrounded, untested units too; the defect report gives U, limit and whether it is beyond U."""
    found = answer_of(lot)
    lines = lot_csv(lot, found).decode().splitlines()
    assert sum(",not tested," in line for line in lines) == 15
    assert any(",r20_sin,,12.0,ohm,0.04,13.5,16.5,fail,critical,nonconforming," in line for line in lines)
    document = lot_document(lot, found)
    assert document["not_tested"] == 15 and document["groups"][0]["shown_beyond_U"] == 1
    sheet = defect_sheet(lot, found, SHOP)
    assert table(sheet, "What was found").rows[0][6] == "beyond U"
    assert [row[1] for row in table(return_sheet(lot, found), "Units").rows] == [lot.unit("S02").serial]


def test_calibration_status_is_that_of_the_day(store: Store) -> None:
    """Current, due soon and overdue follow the day asked for; instruments that measure are marked."""

    def words(day: date) -> set[str]:
        rows = table(calibration_sheet(store, on=day), "Instruments").rows
        assert len(rows) == 7
        return {str(row[8]["words"]) for row in rows if not isinstance(row[8], str)}

    assert words(date(2026, 6, 1)) == {"current"}
    assert words(date(2027, 1, 20)) == {"due soon"}
    assert words(date(2027, 3, 3)) == {"overdue"}
    rows = table(calibration_sheet(store, on=date(2027, 3, 3)), "Instruments").rows
    assert "Multimeter *" in {row[0] for row in rows}
    assert {row[6] for row in rows} == {"1 d over"}


def test_a_home_without_runs_has_a_status_too(tmp_path: Path) -> None:
    """With nothing recorded the sheet says so instead of an empty table."""
    sheet = calibration_sheet(Store(tmp_path), on=date(2026, 11, 25))
    assert "No run has recorded an instrument yet." in [getattr(block, "text", "") for block in sheet.blocks]
    assert sheet_pdf(sheet, SHOP, issued_utc=sample.ISSUED).startswith(b"%PDF")


def test_a_simulated_run_marks_the_sheet(tmp_path: Path) -> None:
    """One simulated run among them marks every page."""
    run = sample.stored(tmp_path, sample.good())
    sheet = history_sheet(Store(tmp_path), "", run.header.serial, SHOP)
    assert sheet.simulated


def test_figures_of_a_lot_are_rounded_by_their_uncertainty(lot: Lot) -> None:
    """Mean, lowest and highest carry the decimals of the line's U and no more; counts have no mean."""
    sheet = lot_sheet(lot, answer_of(lot), SHOP)
    rows = {str(row[0]): row for row in table(sheet, "Lines with a limit, over the units").rows}
    resistance = rows["Coil resistance, sine, at 20 °C"]  # U 0.040 ohm
    assert re.fullmatch(r"\d\d\.\d{3}", str(resistance[2])), resistance
    assert rows["Direction"][2] == "–"
