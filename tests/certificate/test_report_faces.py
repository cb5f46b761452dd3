"""The faces of a report: PDF/A with everything that must be said, JSON and CSV with the same figures, all marked."""

from __future__ import annotations

import csv
import io
import json
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import pikepdf
import pytest
import sample
from PIL import Image

from rig.certificate.content.report import build_content
from rig.certificate.page.plots import plots
from rig.errors import RecordError, UsageError
from rig.records.run.stored import StoredRun
from rig.records.store import Store
from rig.result import Judgement

CASES = {"good": sample.good, "bad": sample.bad, "unsound": sample.unsound}
needs_pdftotext = pytest.mark.skipif(
    shutil.which("pdftotext") is None, reason="pdftotext is not installed (Debian: poppler-utils)"
)


def made(run: StoredRun) -> dict[str, bytes]:
    return {kind: data for kind, _, data in sample.faces(run, issued_utc=sample.ISSUED)}


def pages(pdf: bytes, tmp_path: Path) -> list[str]:
    file = tmp_path / "r.pdf"
    file.write_bytes(pdf)
    words = ["pdftotext", str(file), "-"]
    text = subprocess.run(words, capture_output=True, check=True, text=True).stdout
    return [re.sub(r"\s+", " ", page) for page in text.split("\f")[:-1]]


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, StoredRun]:
    home = tmp_path_factory.mktemp("home")
    return {name: sample.stored(home, judgement()) for name, judgement in CASES.items()}


@pytest.fixture(scope="module")
def good(runs: dict[str, StoredRun]) -> dict[str, bytes]:
    return made(runs["good"])


@needs_pdftotext
def test_everything_that_must_be_said_is_said(
    runs: dict[str, StoredRun], good: dict[str, bytes], tmp_path: Path
) -> None:
    """Title, shop, item, dates, verdict, figures, k, decision rule, risk, instruments, scope, hashes and end mark."""
    text = " ".join(pages(good["certificate"], tmp_path))
    run = runs["good"]
    for words in (
        "Measurement report (calibration-style)",
        "Tallow Street Motors",
        "non-accredited",
        f"AW-{run.id}",
        "QS4-0093, revision B",
        "93-00417",
        "TS-1180",
        "Order desk",
        "dry, pins clean, no rub marks",
        "own rotor",
        "2026-11-25 10:15 UTC",
        "local time",
        "sequence full test 1",
        "Within limits",
        "38.4 ± 6.8",
        "k = 2.00",
        "about 95 %",
        "customer",
        "shop fall-back",
        "not tested",
        "no limit",
        "> 550 MΩ",
        "IT-3",
        "22 to 22.4 °C",
        "Guard band w = 1 U",
        "2.3 %",
        "Traceability not established",
        "SIM00001",
        "V(3-4) = TR · V(1-2) · sin(4 θ mech)",
        "counter-clockwise seen from the connector side",
        "Hysteresis",
        "at running speed",
        "re-learn on the vehicle by the maker's procedure required",
        "relate only to the item tested",
        "may not be reproduced except in full",
        "anglewright 0.1.0",
        run.hashes["journal.jsonl"],
        f"End of report AW-{run.id}",
    ):
        assert words in text.replace("’", "'"), words


@needs_pdftotext
@pytest.mark.parametrize("case", CASES)
def test_every_page_bears_number_mark_and_page(runs: dict[str, StoredRun], case: str, tmp_path: Path) -> None:
    """Every page of a simulated run says so in its head, with the report's number and page n of m."""
    found = pages(made(runs[case])["certificate"], tmp_path)
    assert 3 <= len(found) <= 5
    for n, text in enumerate(found, start=1):
        assert "SIMULATED: no part was measured" in text
        assert f"AW-{runs[case].id}" in text
        assert f"page {n} of {len(found)}" in text


def test_the_mark_lies_across_every_page(runs: dict[str, StoredRun], tmp_path: Path) -> None:
    """A simulated run's mark lies over a good part of every page in a pale tint; a real run has none."""
    real = sample.stored(tmp_path, sample.unsound(), sample.a_header(simulated=False, current=True))
    for run, marked in ((runs["unsound"], True), (real, False)):
        assert run.judgement is not None
        said = build_content(run, run.judgement, issued_utc=sample.ISSUED)
        for page in sample.png_pages(said, ppi=30):
            pixels = np.asarray(Image.open(io.BytesIO(page)).convert("RGB"), dtype=np.int16)
            tint = (np.abs(pixels - (245, 234, 232)) < 3).all(axis=2)
            assert bool(tint.mean() > 0.01) is marked
            assert bool(tint.any(axis=1).mean() > 0.35) is marked


@needs_pdftotext
def test_a_real_run_bears_no_mark_and_states_its_traceability(tmp_path: Path) -> None:
    """Real instruments, all current: no mark, and traceability is stated; one overdue: it is not, and is named."""
    run = sample.stored(tmp_path, sample.good(), sample.a_header(simulated=False, current=True))
    text = " ".join(pages(made(run)["certificate"], tmp_path))
    assert "SIMULATED" not in text
    assert "Traceable to the calibrations listed" in text
    assert "C-26-0001" in text
    header = sample.a_header(simulated=False, current=True)
    overdue = {**header.instruments["sampler"], "due": "2026-11-24"}
    header = sample.a_header(simulated=False, current=True, instruments={**header.instruments, "sampler": overdue})
    text = " ".join(pages(made(sample.stored(tmp_path, sample.good(), header))["certificate"], tmp_path))
    assert "Traceability not established (sampler, divider and shunt: overdue)" in text
    assert "Traceable" not in text


@needs_pdftotext
def test_faults_are_told_first(runs: dict[str, StoredRun], tmp_path: Path) -> None:
    """Page one of a bad part names hint and next test; that of an unsound run the reason and the next action."""
    first = pages(made(runs["bad"])["certificate"], tmp_path)[0]
    for words in ("Outside limits", "4 of the 22 lines", "opinions: hints", "86 %", "Shorted turns", "Next test"):
        assert words in first
    first = pages(made(runs["unsound"])["certificate"], tmp_path)[0]
    for words in (
        "Unsound measurement",
        "Next: Re-seat the part",
        "clamped off centre",
        "nothing is said about the part",
    ):
        assert words in first


def test_the_pdf_is_an_archive_file(good: dict[str, bytes]) -> None:
    """PDF/A-3b with its markers, every font embedded, the JSON face attached, and alternative text on each plot."""
    with pikepdf.open(io.BytesIO(good["certificate"])) as pdf:
        with pdf.open_metadata() as meta:
            assert (meta["pdfaid:part"], meta["pdfaid:conformance"]) == ("3", "B")
        attached = pdf.attachments["certificate.json"].get_file()
        assert attached.read_bytes() == good["data"]
        fonts = [obj for obj in pdf.objects if _is(obj, "/FontDescriptor")]
        assert fonts
        for font in fonts:
            assert any(key in font for key in ("/FontFile", "/FontFile2", "/FontFile3"))
        alts = {str(obj.Alt) for obj in pdf.objects if isinstance(obj, pikepdf.Dictionary) and "/Alt" in obj}
    assert any("Angle error over one mechanical turn" in alt for alt in alts)
    assert any("Sine against cosine" in alt for alt in alts)


@needs_pdftotext
def test_two_readers_open_it_without_a_warning(good: dict[str, bytes], tmp_path: Path) -> None:
    """Neither qpdf nor poppler has anything to say about the file."""
    file = tmp_path / "r.pdf"
    file.write_bytes(good["certificate"])
    with pikepdf.open(file) as pdf:
        assert pdf.check_pdf_syntax() == []
        assert pdf.get_warnings() == []
    for tool in ("pdfinfo", "pdffonts"):
        assert subprocess.run([tool, str(file)], capture_output=True, check=True, text=True).stderr == ""


def _is(obj: Any, kind: str) -> bool:
    return isinstance(obj, pikepdf.Dictionary) and obj.get("/Type") == kind


def test_the_same_content_gives_the_same_bytes(runs: dict[str, StoredRun], good: dict[str, bytes]) -> None:
    """Made twice, every face is byte-identical."""
    assert made(runs["good"]) == good


def test_json_is_strict_and_unrounded(runs: dict[str, StoredRun], good: dict[str, bytes]) -> None:
    """The JSON face parses without NaN, starts with its mark and carries estimate, U's parts and budget unrounded."""

    def refuse(name: str) -> float:
        raise AssertionError(name)

    data = json.loads(good["data"], parse_constant=refuse)
    assert data["simulated"] is True
    assert data["mark"].startswith("SIMULATED")
    assert data["number"] == f"AW-{runs['good'].id}"
    row = next(line for line in data["judged"] if line["measurand"] == "error_max_elec_arcmin")
    line = sample.a_line("error_max_elec_arcmin")
    assert line.result is not None
    assert row["result"]["estimate"] == 38.4
    assert row["result"]["u"] == line.result.u
    assert len(row["result"]["budget"]) == 4
    assert data["hashes"]["journal.jsonl"] == runs["good"].hashes["journal.jsonl"]


def test_csv_holds_every_line(good: dict[str, bytes]) -> None:
    """The table has one row a line with the same figures, and every row says SIMULATED."""
    rows = list(csv.DictReader(io.StringIO(good["table"].decode())))
    assert len(rows) == len(sample.good().judged)
    assert {row["simulated"] for row in rows} == {"SIMULATED"}
    by_id = {row["measurand"]: row for row in rows}
    assert float(by_id["r20_exc"]["estimate"]) == 9.0134
    assert by_id["leak_thermistor"]["estimate"] == ""
    points = list(csv.DictReader(io.StringIO(good["curves"].decode())))
    assert len(points) == 320
    assert points[0]["error_cw_elec_arcmin"] == ""
    assert {row["simulated"] for row in points} == {"SIMULATED"}


@pytest.mark.parametrize("outcome", ["incomplete", "not this kind", "measured, no limits", "undecided"])
def test_a_run_without_figures_has_a_report_too(outcome: str, tmp_path: Path) -> None:
    """Without lines, curves, readings of the air or instruments the report still stands, and says so."""
    bare = Judgement(outcome=outcome, judged=(), reasons=(), findings=(), notes=())
    header = sample.a_header(instruments={}, holder={}, bench={}, customer="", operator="")
    run = Store(tmp_path).begin(header)
    stored = Store(tmp_path).finish(run, judgement=bare)
    got = made(stored)
    assert got["certificate"].startswith(b"%PDF")
    assert "curves" not in got
    said = build_content(stored, bare, issued_utc=sample.ISSUED)
    assert not said.traceable
    assert said.headline.lower() == outcome


@pytest.mark.parametrize("dropped", sorted(sample.curves()))
def test_absent_curves_are_left_out(dropped: str) -> None:
    """Any curve may be missing, or hold gaps: the plots that can be drawn are drawn."""
    curves = {key: value for key, value in sample.curves(64).items() if key != dropped}
    assert len(plots(curves, 4, None)) >= 2


def test_a_later_report_says_what_it_replaces(tmp_path: Path) -> None:
    """The second report of a run has its own number and names the first; files go beside each other."""
    run = sample.stored(tmp_path, sample.good())
    store = Store(tmp_path)
    for kind, name, data in sample.faces(run):
        store.add_file(run.id, name, data)
        assert kind
    second = {kind: data for kind, _, data in sample.faces(run)}
    told = json.loads(second["data"])
    assert told["number"] == f"AW-{run.id}-2"
    assert told["replaces"] == f"AW-{run.id}"
    assert store.add_file(run.id, "certificate.pdf", second["certificate"]).name == "certificate-2.pdf"


def test_an_unjudged_run_has_no_report(tmp_path: Path) -> None:
    """A run that was cut short before judging is refused with what to do."""
    store = Store(tmp_path)
    run = store.begin(sample.a_header())
    with pytest.raises(UsageError, match="was not judged"):
        sample.faces(store.find(run.id))


def test_words_of_a_run_are_never_run_as_markup(tmp_path: Path) -> None:
    """Whatever stands in serial or remark is printed as it is: no markup, no code, no file is read."""
    nasty = '#read("/etc/passwd") *x* $y$ [z] \\ "q" <tag> @ref // 𝛀'
    run = sample.stored(tmp_path, sample.good(), sample.a_header(serial=nasty, operator=nasty))
    assert made(run)["certificate"].startswith(b"%PDF")
    assert len(sample.png_pages(build_content(run, sample.good(), issued_utc=sample.ISSUED), ppi=30)) >= 3


def test_a_fault_of_the_page_is_a_record_error(runs: dict[str, StoredRun], monkeypatch: pytest.MonkeyPatch) -> None:
    """When the page can't be set the error names the report and says what can still be had."""
    monkeypatch.setattr("rig.certificate.page.pdf.template_data", lambda *_, **__: {"number": 1})
    with pytest.raises(RecordError, match=f"report AW-{runs['good'].id} can't be set"):
        made(runs["good"])
