"""What issue 6 promises of certificates: one changed digit anywhere is found and named, the XML is valid by two
validators, the PDF opens in two readers, and a report is quick. The runs are the invented ones of tests/certificate.
"""

from __future__ import annotations

import os
import random
import re
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2] / "certificate"))
import sample

from rig.answer import Curves
from rig.certificate.faces import build_report
from rig.certificate.issue import Issued, issue
from rig.certificate.seal.verify import verify
from rig.certificate.seal.verify_run import verify_run
from rig.records.run.stored import StoredRun
from rig.records.store import Store
from rig.result import Judgement
from rig.signal.waveform import Waveform

TOP = Path(__file__).parents[3]
SCHEMA = Path(os.environ.get("ANGLEWRIGHT_SHARED") or TOP.parent / "shared") / "schemas/dcc/v3.3.0/dcc.xsd"
SHOP = 'schema = "anglewright shop 1"\nname = "Tallow Street Motors (invented)"\ncity = "Lower Mill"\ncountry = "GB"\n'
Line = Iterator[tuple[bool, str]]


def checks(quick: bool) -> list[tuple[str, Callable[[], Line]]]:
    def changed_digit() -> Line:
        yield from digits(8 if quick else 60)

    changed_digit.__doc__ = digits.__doc__
    return [
        ("changed digit", changed_digit),
        ("xml", xml),
        ("readers", readers),
        *([] if quick else [("speed", speed)]),  # a time is no matter of the check, in which two shows run at once
    ]


def a_store() -> Store:
    home = Path(tempfile.mkdtemp(prefix="anglewright-show-records-"))
    (home / "shop.toml").write_text(SHOP, encoding="utf-8")
    return Store(home)


def a_run(store: Store, judgement: Judgement, **header: Any) -> tuple[StoredRun, Issued]:
    """A real run with a raw file, its report issued."""
    run = store.begin(sample.a_header(**({"simulated": False, "current": True} | header)))
    rng = np.random.default_rng(3)
    for _ in range(4):
        codes = rng.integers(-20000, 20000, (4, 500)).astype(np.int16)
        wave = Waveform(
            codes=codes,
            scale_v=np.full(4, 1e-4),
            offset_v=np.zeros(4),
            sample_rate_hz=200e3,
            channels=("exc_v", "exc_i", "sin", "cos"),
            rail_low=-32768,
            rail_high=32767,
        )
        reading = sample.a_reading("ambient_temperature", 22.0, "degC", phase="before")
        run.raw.append("sweep_ccw", wave)
        run.journal.append("reading", reading.to_dict())
    stored = store.finish(run, judgement=judgement, ended_utc="2026-11-25T10:41:00Z")
    return stored, issue(store, stored)


def digits(times: int) -> Line:
    """One changed digit anywhere (PDF, XML, JSON, CSV, database row, raw file) is found by verify, and named."""
    store = a_store()
    run, made = a_run(store, sample.good())
    clean = verify_run(store, store.find(run.id))
    yield clean == [], f"untouched: {len(clean)} findings"
    rng = random.Random(11)
    for kind in ("data", "xml", "table", "certificate"):
        yield one_face(store, Path(made.files[kind]), times, rng)
    for name in ("journal.jsonl", "raw.h5", "run.json", "certificate.pdf", "certificate.json"):
        path = run.path / name
        data, found = path.read_bytes(), 0
        for _ in range(times):
            path.write_bytes(one_changed(data, rng, anywhere=path.suffix in (".h5", ".pdf")))
            found += any(told.startswith(f"{name}: altered") for told in safely(store, run.id))
        path.write_bytes(data)
        yield found == times, f"in the run's folder, {name}: {found} of {times} found and named"
    yield rows_changed(store, run)


def one_face(store: Store, path: Path, times: int, rng: random.Random) -> tuple[bool, str]:
    data, named, places = path.read_bytes(), 0, set()
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / path.name
        for _ in range(times):
            file.write_bytes(one_changed(data, rng, anywhere=path.suffix == ".pdf"))
            checked = verify(file, store.home)
            named += checked.state == "altered" and bool(checked.where)
            places |= {re.sub(r"\d+", "n", told)[:40] for told in checked.where}
    shown = sorted(places)[0] if places else "nothing"
    return named == times, f"{path.suffix[1:].upper()}: {named} of {times} found and named, e.g. {shown!r}"


def one_changed(data: bytes, rng: random.Random, *, anywhere: bool) -> bytes:
    """One digit put for another; in a binary file one bit of one byte."""
    changed = bytearray(data)
    if anywhere:
        changed[rng.randrange(100, len(changed) - 100)] ^= 1
        return bytes(changed)
    places = [m.start() for m in re.finditer(rb"\d", data)]
    place = rng.choice(places[len(places) // 100 :])
    changed[place] = ord(rng.choice([d for d in "0123456789" if ord(d) != changed[place]]))
    return bytes(changed)


def safely(store: Store, run: str) -> list[str]:
    """verify_run; a record that can't even be read names itself."""
    from rig.errors import RigError

    try:
        return verify_run(store, store.find(run))
    except RigError as fault:
        return [f"{name}: altered ({fault})" for name in ("run.json", "journal.jsonl") if name in str(fault)]


def rows_changed(store: Store, run: StoredRun) -> tuple[bool, str]:
    files = [f for f in store.home.glob("*.sqlite*") if not f.name.endswith(("-wal", "-shm"))]
    if not files:
        return False, "no SQLite database under the home"
    with sqlite3.connect(files[0]) as database:
        done = database.execute("UPDATE results SET estimate = estimate + 0.0001 WHERE measurand = 'tr_sin'")
        database.commit()
    told = safely(Store(store.home), run.id)
    named = any(text.startswith("database, results") and "tr_sin" in text for text in told)
    return done.rowcount == 1 and named, f"database row: {told[:1]}"


def xml() -> Line:
    """DCC validates against the schema in ../shared/schemas/dcc, with lxml and xmlschema."""
    if not SCHEMA.exists():
        yield True, f"NO SCHEMA at {SCHEMA}: set ANGLEWRIGHT_SHARED; nothing was validated"
        return
    import xmlschema
    from lxml import etree

    from rig.certificate.dcc.rules import faults

    by_lxml, by_xmlschema = etree.XMLSchema(etree.parse(str(SCHEMA))), xmlschema.XMLSchema(str(SCHEMA))
    store = a_store()
    for name, judgement in (("good", sample.good()), ("bad", sample.bad()), ("unsound", sample.unsound())):
        _, made = a_run(store, judgement)
        data = Path(made.files["xml"]).read_bytes()
        valid = by_lxml.validate(etree.fromstring(data))
        errors, broken = len(list(by_xmlschema.iter_errors(data.decode()))), len(faults(data))
        yield (
            valid and errors == 0 and broken == 0,
            f"{name}: lxml {valid}, xmlschema {errors} errors, own rules {broken}",
        )


def readers() -> Line:
    """PDF opens without warnings in two independent readers (poppler, pikepdf/qpdf check), fonts embedded, text
    searchable, alternative text on plots."""
    import pikepdf

    _, made = a_run(a_store(), sample.good())
    path = Path(made.files["certificate"])
    with pikepdf.open(path) as pdf:
        problems = pdf.check_pdf_syntax() if hasattr(pdf, "check_pdf_syntax") else pdf.check()
        alts = [str(o.Alt) for o in pdf.objects if isinstance(o, pikepdf.Dictionary) and "/Alt" in o]
        warned = pdf.get_warnings()
    yield not problems and not warned, f"pikepdf/qpdf: {len(problems)} problems, {len(warned)} warnings"
    yield len(alts) >= 5, f"{len(alts)} alternative texts (four plots, the code)"
    if shutil.which("pdffonts") is None:
        yield True, "poppler-utils is NOT here: its reading was not tried"
        return
    told = subprocess.run(["pdfinfo", str(path)], capture_output=True, text=True, check=False)
    pages = re.search(r"Pages:\s+(\d+)", told.stdout)
    yield (
        not told.stderr and pages is not None,
        f"poppler: {pages[1] if pages else 0} pages; {told.stderr or 'no warning'}",
    )
    fonts = subprocess.run(["pdffonts", str(path)], capture_output=True, text=True, check=False)
    rows = fonts.stdout.splitlines()[2:]
    embedded = [row.split()[-5] == "yes" for row in rows]
    yield not fonts.stderr and all(embedded) and bool(rows), f"poppler: {len(rows)} fonts, {sum(embedded)} embedded"
    text = subprocess.run(["pdftotext", str(path), "-"], capture_output=True, text=True, check=False)
    hits = [word for word in ("38.4 ± 6.8", "93-00417", "rotor angle", made.number) if word in text.stdout]
    yield not text.stderr and len(hits) == 4, f"poppler: {len(hits)} of 4 texts found, plots' words among them"


def speed() -> Line:
    """A four-page certificate with three 720-point plots in under 0.5 s once imports are warm, under 1.5 s cold."""
    store = a_store()
    judgement = sample.good()
    judgement = Judgement(
        outcome=judgement.outcome,
        judged=judgement.judged,
        reasons=(),
        findings=(),
        curves=Curves.from_dict(sample.curves(720)),
    )
    run, _ = a_run(store, judgement)
    build_report(run)
    start, wall = time.process_time(), time.perf_counter()
    build_report(run)
    took, elapsed = time.process_time() - start, time.perf_counter() - wall
    yield took < 0.5, f"warm: {took:.2f} s of processor, {elapsed:.2f} s by the clock (PDF, JSON, XML, CSV)"
    subprocess.run([sys.executable, "-m", "compileall", "-q", str(TOP / "rig")], check=True)  # as pip does
    words = [sys.executable, "-m", "rig", "report", "issue", run.id]
    env = os.environ | {"ANGLEWRIGHT_HOME": str(store.home)}
    cold = []
    for _ in range(3):
        before, wall = os.times(), time.perf_counter()
        subprocess.run(words, cwd=TOP, env=env, check=True, capture_output=True)
        after = os.times()
        used = after.children_user - before.children_user + after.children_system - before.children_system
        cold.append((time.perf_counter() - wall, used))
    clock, used = min(cold)
    yield used < 1.5, f"cold, the whole command: {used:.2f} s of processor, {clock:.2f} s by the clock (best of 3)"
