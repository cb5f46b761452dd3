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

from rig.answer import Curves
from rig.certificate.issue import issue, withdraw
from rig.certificate.sheets.calibration import calibration_sheet
from rig.certificate.sheets.donors import donor_sheet
from rig.certificate.sheets.history import history_sheet
from rig.certificate.sheets.lot import lot_sheet
from rig.certificate.sheets.sheet import Plots, Sheet, Table, sheet_data, sheet_pdf
from rig.certificate.shop import Shop
from rig.errors import UsageError
from rig.records.store import Store
from rig.result import Judgement
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


def table(sheet: Sheet, title: str) -> Table:
    return next(block for block in sheet.blocks if isinstance(block, Table) and block.title == title)


def all_sheets(store: Store) -> dict[str, Callable[[Shop], Sheet]]:
    ids = store.ids()
    return {
        "history": lambda shop: history_sheet(store, "", "93-00417", shop),
        "donors": lambda shop: donor_sheet([store.find(i) for i in (ids[0], ids[2], ids[4])], shop),
        "lot": lambda shop: lot_sheet(store, shop, part="QS4-0093"),
        "calibration": lambda _: calibration_sheet(store, on=date(2027, 1, 20)),
    }


@pytest.mark.parametrize("kind", ["history", "donors", "lot", "calibration"])
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
    titles = {"history": "Lebenslauf des Teils", "donors": "Spendervergleich", "lot": "Losübersicht"}
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


def test_a_lot_counts_each_unit_once_by_its_newest_run(store: Store) -> None:
    """Three runs of one serial count once, by the newest; mean, s and range are those of the units' estimates."""
    sheet = lot_sheet(store, SHOP, part="QS4-0093")
    assert dict(sheet.facts)["Units tested"] == "5"
    assert dict(sheet.facts)["Within limits"] == "5"
    row = next(
        r for r in table(sheet, "Lines with a limit, over the units").rows if r[0] == "Transformation ratio, sine"
    )
    newest = [store.find(i).judgement for i in store.ids()[2:]]
    values = [line.result.estimate for j in newest if j and (line := j.line("tr_sin")) and line.result]
    assert row[1] == "5"
    assert float(str(row[2])) == pytest.approx(sum(v or 0.0 for v in values) / 5, rel=1e-3)
    assert row[7] == "5 pass"
    assert len(table(sheet, "Units").rows) == 5
    assert any("say little about others" in getattr(block, "text", "") for block in sheet.blocks)
    with pytest.raises(UsageError, match="no judged run"):
        lot_sheet(store, SHOP, job="none such")


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


def test_figures_of_a_lot_are_rounded_by_their_uncertainty(store: Store) -> None:
    """Mean, lowest and highest carry the decimals of the line's U and no more; findings stand by their names."""
    sheet = lot_sheet(store, SHOP, part="QS4-0093")
    rows = {str(row[0]): row for row in table(sheet, "Lines with a limit, over the units").rows}
    figures = rows["Coil resistance, sine over cosine, less one"]  # U 0.082 %
    assert re.fullmatch(r"0\.\d{3}", str(figures[2])), figures
    assert re.fullmatch(r"0\.\d{3} … 0\.\d{3}", str(figures[4])), figures
    resistance = rows["Coil resistance, sine, at 20 °C"]  # U 0.038 ohm
    assert re.fullmatch(r"\d\d\.\d{3}", str(resistance[2])), resistance
