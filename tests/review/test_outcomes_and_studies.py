"""What came of fitted units, in words and as limits; gauge studies from runs; suppliers; exchange of one part."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from lot_samples import GOOD, LIMITS, a_file, a_judgement, a_line, keep_run, open_sample, run_all

from rig.certificate.sheets.sheet import sheet_data, sheet_pdf
from rig.certificate.sheets.study import study_sheet
from rig.certificate.shop import Shop
from rig.cli.pages import lot_study, lot_supplier
from rig.description.parts import load_part
from rig.errors import UsageError
from rig.evaluation.bench.reclamping import SCHEMA
from rig.jobs.kept.outcome import record_outcome
from rig.records.book.lot_entries import LotDelivery, LotOpened
from rig.records.book.lots import LotBook
from rig.records.run.record import RunHeader
from rig.records.run.stored import StoredRun
from rig.records.store import Store
from rig.result import Judgement
from rig.review.library.learning import LearningRule
from rig.review.library.library import Library
from rig.review.lots.good_units import add_good_units
from rig.review.lots.lot import Lot
from rig.review.lots.study import places_of, study_of
from rig.review.lots.supplier import exchange, supplier_view
from rig.review.units.outcomes import experience, fitted_units, limits_from_outcomes

SERIALS = [f"PT-{n:03d}" for n in range(1, 21)]
PART = load_part("KX4-2207").model_dump(mode="json", by_alias=True)


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path)


def kept(store: Store, serial: str, judgement: Judgement, **header: Any) -> StoredRun:
    n = len(store.ids())
    told: dict[str, Any] = {"sequence": "full_test", "serial": serial, "part": PART, "decision": PART["decision"]}
    told["started_utc"] = f"2026-11-{1 + n // 3600:02d}T{n // 60 % 24:02d}:{n % 60:02d}:00Z"
    return store.finish(store.begin(RunHeader(**(told | header))), judgement=judgement)


def test_of_31_like_this_30_were_cured(store: Store) -> None:
    """Each unit once, by its newest outcome; the unit itself and those that tested otherwise are left out."""
    runs = [kept(store, f"F-{n:02d}", a_judgement(tr_sin=0.30 + 0.0001 * n)) for n in range(31)]
    for n, run in enumerate(runs):
        _, told = record_outcome(store, run, "came back" if n == 7 else "cured", why="noisy", who="operator 2")
    assert told == "of 31 like this (KX4-2207, within limits), 30 cured (95 %: 83.3 to 99.9 %)"
    assert str(experience(store, kept(store, "NEW-1", a_judgement()))) == told
    assert str(experience(store, runs[0])).startswith("of 30 like this")
    record_outcome(store, runs[7], "cured", why="", who="operator 2")
    assert "31 cured" in str(experience(store, kept(store, "NEW-2", a_judgement())))
    other = kept(store, "NEW-3", a_judgement(tr_sin=0.2))
    assert experience(store, other) is None and len(fitted_units(store, "KX4-2207")) == 31
    for word, why, who in (("mended", "", "x"), ("came back", "", "operator 2"), ("cured", "", "")):
        with pytest.raises(UsageError):
            record_outcome(store, runs[0], word, why=why, who=who)


def test_limits_from_outcomes_have_an_origin_of_their_own(store: Store) -> None:
    """Learned from cured units alone; approved they stand behind the part file under that origin, and again without
    the unit that is judged."""
    runs = [kept(store, f"F-{n:02d}", a_judgement(tr_sin=0.30 + 0.002 * (n % 5))) for n in range(12)]
    with pytest.raises(UsageError, match="0 cured units"):
        limits_from_outcomes(store, "KX4-2207")
    for n, run in enumerate(runs):
        record_outcome(store, run, "came back" if n > 9 else "cured", why="noisy", who="operator 2")
    made = limits_from_outcomes(store, "KX4-2207", LearningRule(coverage=0.95))
    assert (made.n, made.origin) == (10, "outcomes")
    assert {limit.origin for limit in made.limits} == {"outcomes"}
    assert made.limits[0].note.startswith("learned from 10 cured parts, provisional, 95 % confident of 95 %")
    library = Library(store)
    approved = library.approve("KX4-2207", LearningRule(coverage=0.95), who="operator 2", proposal=made)
    assert {limit.origin for limit in approved.limits} == {"outcomes"} and approved.withdrawn == ()
    judged = library.to_judge("KX4-2207", "F-03")
    assert judged is not None and judged.n == 9 and {limit.origin for limit in judged.limits} == {"outcomes"}


def test_a_lots_good_units_become_known_in_one_act(store: Store) -> None:
    """Bad ones and those that were only screened are named; nothing is taken in silently."""
    lot = open_sample(store, a_file(), SERIALS)
    odd = {"S02": a_judgement(r20_sin=12.0)}
    for unit in lot.units[:6]:
        sequence = "full_test" if lot.needs(unit) == "whole" else "quick_screen"
        keep_run(store, lot, unit.label, odd.get(unit.label, a_judgement()), sequence=sequence, part=PART)
    taken, refused = add_good_units(store, "L-0001", how="accepted", who="operator 2")
    assert len(taken) == 4 and len(refused) == 2
    assert refused[lot.unit("S02").serial] == "critical: nonconforming"
    assert "only a full test" in refused[lot.unit("S06").serial]
    assert len(Library(store).units("KX4-2207")) == 4


def study(store: Store, units: int = 3, clampings: int = 3, repeats: int = 2) -> dict[tuple[str, int, int], float]:
    """Runs of a study with known readings of one line."""
    readings = {}
    for n, (unit, clamping, repeat) in enumerate(places_of([f"U-{k}" for k in range(units)], clampings, repeats)):
        k = int(unit[2:])
        value = 0.30 + 0.004 * k + 0.001 * ((clamping + k) % 3) + 0.0002 * (repeat + (n % 2))
        readings[unit, clamping, repeat] = value
        details = {"lot": {"unit": unit, "clamping": clamping, "repeat": repeat}}
        kept(store, unit, a_judgement(tr_sin=value), job="G-1", details=details)
    return readings


def test_a_study_becomes_the_re_clamping_scatter(store: Store) -> None:
    """Components of the readings as they were; what is left of the tolerance after the guard bands is shared."""
    study(store)
    found = study_of(store, "G-1")
    line = next(one for one in found.lines if one.measurand == "tr_sin")
    assert line.study.shape == (3, 3, 2) and not found.missing
    assert line.tolerance == pytest.approx(0.335 - 0.265 - 2 * 0.002)
    assert line.share == pytest.approx(6 * line.study.measurement.s / line.tolerance)
    data = found.reclamping()
    row = next(one for one in data["lines"] if one["measurand"] == "tr_sin")
    assert data["schema"] == SCHEMA and row["s"] == line.study.between.s and row["n"] >= 2
    text = "\n".join(lot_study.rows(found, ""))
    assert "nested analysis of variance, 3 x 3 x 2" in text and "Transformation ratio," in text
    assert not [row for row in text.split("\n") if len(row) > 80]
    assert "crossed" in study_of(store, "G-1", "crossed").lines[0].study.method
    german = Shop(language="de", paper="us-letter")
    sheet = study_sheet(found, german)
    assert sheet_data(sheet, german)["title"] == "Messmittelstudie"
    assert sheet_pdf(sheet, german, issued_utc="2026-11-30T10:00:00Z").startswith(b"%PDF")


def test_an_unfinished_study_says_what_is_next(store: Store) -> None:
    """By the places that it should have; fewer than two of anything is no study."""
    study(store, clampings=2)
    places = places_of(["U-0", "U-1", "U-2"], 3, 2)
    found = study_of(store, "G-1", places=places)
    assert found.missing[0] == ("U-0", 3, 1) and not found.lines
    assert "next: U-0, clamping 3, repeat 1" in lot_study.rows(found, "")[1]
    with pytest.raises(UsageError, match="1 units x 3"):
        places_of(["A", "A"], 3, 2)
    with pytest.raises(UsageError, match="runs of 0 part numbers"):
        study_of(store, "G-2")
    with pytest.raises(UsageError, match="are missing"):
        study_sheet(found, Shop())


def test_a_supplier_over_his_lots(store: Store) -> None:
    """Means with U, shares with interval, claims by E_n, the series of each group, our own open questions first."""
    file = a_file(quantity=3)
    rows = [{"row": n, "serial": s, "code": s, "box": "", "claimed": {"tr_sin": 0.306}} for n, s in enumerate("ABC", 2)]
    book = LotBook(store)
    with book.turn():
        data = file.model_dump(mode="json", by_alias=True)
        book.add(LotOpened(lot=file.lot, supplier=file.supplier, part=file.part, file=data))
        book.add(LotDelivery(lot=file.lot, quantity=3, rows=rows))
    open_frozen(store, file.lot)
    unsound = replace(a_judgement(), outcome="unsound measurement")
    run_all(store, Lot(store, file.lot), {"S02": unsound})
    found = supplier_view(store, file.supplier)
    assert found.suspects == ("L-0001 S02: unsound measurement, ",)
    mean = next(one for one in found.means if one.measurand == "tr_sin")
    assert (mean.n, mean.mean, round(mean.U, 6)) == (3, pytest.approx(0.30), 0.002)
    assert {claim.serial: round(claim.En, 3) for claim in found.claims} == dict.fromkeys("ABC", -3.0)
    assert next((share.group, share.bad, share.n) for share in found.shares) == ("critical", 0, 3)
    text = "\n".join(lot_supplier.rows(found))
    assert text.index("our own open questions first") < text.index("E_n -3.00, DISAGREE")
    with pytest.raises(UsageError, match="no lot of 'nobody'"):
        supplier_view(store, "nobody")


def test_an_index_of_a_process_takes_thirty_units_and_a_chart_in_control(store: Store) -> None:
    """With its interval; none where one unit lies beyond the chart, none below thirty."""
    check = [{"name": "ratio", "lines": ["tr_*"], "plan": "all"}]
    noise = np.random.default_rng(30).normal(0.0, 0.004, 30)
    for name, values in (("L-0001", 0.30 + noise), ("L-0002", np.where(np.arange(30) == 12, 0.36, 0.30 + noise))):
        supplier = f"{name} (invented)"
        lot = open_sample(store, a_file(lot=name, supplier=supplier, quantity=30, check=check))
        for unit, value in zip(lot.units, values, strict=True):
            keep_run(store, lot, unit.label, a_judgement(tr_sin=float(value)), f"{name}-{unit.place}")
        found = supplier_view(store, supplier).indices
        assert ("tr_sin" in found) == (name == "L-0001")
        if found:
            low, high = found["tr_sin"].cpk_interval
            assert low < found["tr_sin"].cpk < high and found["tr_sin"].n == 30


def open_frozen(store: Store, name: str) -> None:
    from rig.review.lots.plan import frozen

    lot = Lot(store, name)
    with lot.book.turn():
        lot.book.add(frozen(lot.file, lot.rows, lot.quantity, 5, {}, "operator 2"))


def test_two_shops_and_one_part(store: Store) -> None:
    """E_n line by line: the difference over the root of both U squared; other units are refused."""
    ours, theirs = kept(store, "X-1", a_judgement(tr_sin=0.302)), kept(store, "X-1", a_judgement(tr_sin=0.300))
    found = {one.measurand: one for one in exchange(ours, theirs)}
    assert found["tr_sin"].En == pytest.approx(0.002 / (2**0.5 * 0.002))
    assert found["r20_sin"].En == 0.0
    with pytest.raises(UsageError, match="one unit"):
        exchange(ours, kept(store, "X-2", a_judgement()))


def test_the_sample_is_what_the_tests_say(store: Store) -> None:
    """Every line of the sample is judged by its own limit."""
    assert set(GOOD) == set(LIMITS) and all(a_line(id_, GOOD[id_]).verdict.value == "pass" for id_ in GOOD)
