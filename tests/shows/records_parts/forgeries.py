"""What issue 12 promises of reports and jobs that somebody alters: a corpus made from seeds, none of it accepted.

Quick: 60 flips, 40 archives. Whole: 2500 flips on unsigned and 1250 on signed faces, 1000 archives.
"""

from __future__ import annotations

# ruff: noqa: E402  (helpers of other tests stand in their own folders)
import hashlib
import json
import random
import re
import shutil
import sys
import tempfile
import zipfile
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

TOP = Path(__file__).parents[3]
sys.path[:0] = [str(TOP / "tests" / "certificate"), str(TOP / "tests" / "records")]

import sample

from rig.certificate.issue import Issued, issue
from rig.certificate.seal.signatures import new_key
from rig.certificate.seal.verify import verify
from rig.errors import RigError
from rig.jobs.kept.carrying import carry_out, take_in
from rig.records.book.entries import Intake, Job
from rig.records.book.jobs import Book
from rig.records.index.history import History
from rig.records.store import Store

Line = Iterator[tuple[bool, str]]
WORK = Path(tempfile.mkdtemp(prefix="anglewright-show-forgeries-"))
SHOP = 'schema = "anglewright shop 1"\nname = "Tallow Street Motors (invented)"\ncity = "Lower Mill"\ncountry = "GB"\n'
SEAL = '[seal]\nkey = "keys/shop.key.pem"\ncertificate = "keys/shop.crt.pem"\n'
JOB = "TS-1180"


def checks(quick: bool) -> list[tuple[str, Callable[[], Line]]]:
    return [
        ("forged faces", partial(forged_faces, 3 if quick else 40)),
        ("flipped bytes", partial(flipped_bytes, 40 if quick else 2500, 20 if quick else 1250)),
        ("mutated archives", partial(mutated_archives, 40 if quick else 1000)),
    ]


def a_store(name: str, *, signed: bool) -> Store:
    home = WORK / name
    (home / "keys").mkdir(parents=True)
    (home / "shop.toml").write_text(SHOP + (SEAL if signed else ""), encoding="utf-8")
    if signed:
        new_key(home / "keys", "Tallow Street Motors, show key").key.exists()
    return Store(home)


def two_reports(store: Store) -> list[Issued]:
    made = []
    for n, judgement in enumerate((sample.good(), sample.bad())):
        header = sample.a_header(simulated=False, current=True, started_utc=f"2026-11-25T1{n}:00:00Z", job=JOB)
        made.append(issue(store, sample.stored(store.home, judgement, header)))
    return made


def accepted(file: Path, home: Path) -> str:
    """'' when a file is refused, altered or unknown; how it was taken for genuine, or broke, otherwise."""
    try:
        found = verify(file, home)
    except RigError:
        return ""
    except BaseException as fault:  # noqa: BLE001  (a traceback is what is looked for)
        return f"traceback {fault!r}"
    return "accepted" if found.state == "unchanged" else ""


# ---- faces ----------------------------------------------------------------------------------------------------------


def forged_faces(rounds: int) -> Line:
    """Wrapped, doubled, commented, with entities, shadow updates, altered attachments, swapped faces: 0 accepted."""
    for signed in (False, True):
        store = a_store(f"faces-{signed}", signed=signed)
        first, second = two_reports(store)
        elsewhere = WORK / f"only-certificate-{signed}"
        (elsewhere / "keys").mkdir(parents=True)
        shutil.copy(store.home / "shop.toml", elsewhere)
        for file in (store.home / "keys").glob("*.crt.pem"):
            shutil.copy(file, elsewhere / "keys")
        tried: dict[str, int] = {}
        wrong: list[str] = []
        file = WORK / "forged"
        for seed in range(rounds):
            rng = random.Random(seed)
            for name, data in forgeries(first, second, rng):
                file.write_bytes(data)
                for home in (store.home, elsewhere):
                    tried[name] = tried.get(name, 0) + 1
                    if said := accepted(file, home):
                        wrong.append(f"{name}: {said}")
        total = sum(tried.values())
        kinds = f"{len(tried)} kinds"
        yield (
            not wrong,
            f"{'signed' if signed else 'unsigned'}: {total} tried ({kinds}), {len(wrong)} accepted or broken",
        )
        for line in wrong[:5]:
            yield False, line


def forgeries(one: Issued, other: Issued, rng: random.Random) -> Iterator[tuple[str, bytes]]:
    data = Path(one.files["data"]).read_bytes()
    xml = Path(one.files["xml"]).read_bytes()
    pdf = Path(one.files["certificate"]).read_bytes()
    table = Path(one.files["table"]).read_bytes()
    keys = [k for k in json.loads(data) if k not in ("check",)]
    key = rng.choice(keys)
    yield "JSON: a doubled key in front", data.replace(b"{", b'{"%s": "forged",' % key.encode(), 1)
    yield "JSON: a doubled key behind", data.rstrip()[:-1] + b',"%s": "forged"}' % key.encode()
    yield "JSON: white space", data.replace(b",", b", ", rng.randrange(1, 5))
    yield "JSON: an outcome", data.replace(b'"within limits"', b'"outside limits"')
    yield "JSON: another number", data.replace(one.number.encode(), other.number.encode())
    yield "JSON: a bare array round it", b"[" + data + b"]"
    value = rng.choice(re.findall(rb">([0-9.]+)<", xml))
    yield "XML: a comment in a value", xml.replace(b">%s<" % value, b">%s<!-- x -->%s<" % (value[:1], value[1:]), 1)
    yield "XML: a document type", xml.replace(b"?>", b'?><!DOCTYPE x [<!ENTITY e "9">]>', 1)
    yield "XML: an entity", xml.replace(b"?>", b'?><!DOCTYPE x [<!ENTITY e "9">]>', 1).replace(value, b"&e;", 1)
    outer = b'?><!DOCTYPE x [<!ENTITY e SYSTEM "file:///etc/passwd">]>'
    yield "XML: an external entity", xml.replace(b"?>", outer, 1).replace(value, b"&e;", 1)
    yield "XML: forged results round the genuine report", wrap(xml)
    yield "XML: without statements", re.sub(rb"<dcc:statements>.*</dcc:statements>", b"", xml, flags=re.DOTALL)
    yield (
        "XML: a processing instruction",
        xml.replace(b"</dcc:administrativeData>", b"<?x y?></dcc:administrativeData>"),
    )
    yield "XML: pass for fail", Path(other.files["xml"]).read_bytes().replace(b">fail<", b">pass<")
    yield "PDF: a shadow update", shadow(pdf, rng)
    yield "PDF: bytes behind the end", pdf + bytes(rng.randrange(256) for _ in range(rng.randrange(1, 40)))
    yield "PDF: bytes in front", b"%PDF-1.7\n" + pdf
    yield (
        "PDF: an attachment of the other report",
        attachment_swapped(pdf, Path(other.files["certificate"]).read_bytes()),
    )
    yield "CSV: a row of the other report", table + Path(other.files["table"]).read_bytes().splitlines()[1] + b"\r\n"
    yield "CSV: rows in another order", b"\r\n".join([*table.split(b"\r\n")[:1], *reversed(table.split(b"\r\n")[1:])])
    yield (
        "swapped: the other's JSON under this number",
        Path(other.files["data"]).read_bytes().replace(other.number.encode(), one.number.encode()),
    )
    yield "deep JSON", b'{"number": "%s", "a": ' % one.number.encode() + b"[" * 60_000
    yield "a number of 5000 digits", data.replace(b"4.0", b"9" * 5000, 1)


def wrap(xml: bytes) -> bytes:
    """The whole genuine document inside a forged one that comes first in the reader's eyes."""
    body = xml.partition(b"?>")[2]
    head = body[: body.index(b">") + 1]
    return (
        b'<?xml version="1.0"?>'
        + head
        + body.replace(b">pass<", b">fail<", 1)
        + body
        + b"</dcc:digitalCalibrationCertificate>"
    )


def shadow(pdf: bytes, rng: random.Random) -> bytes:
    """An incremental update that puts another page content behind the genuine one."""
    found = re.findall(rb"(\d+) 0 obj", pdf)
    number = int(rng.choice(found))
    at = len(pdf)
    text = b"BT /F1 40 Tf 100 700 Td (within limits) Tj ET"
    new = b"%d 0 obj\n<< /Length %d >>\nstream\n%s\nendstream\nendobj\n" % (number, len(text), text)
    start = re.findall(rb"startxref\s+(\d+)", pdf)[-1]
    table = b"xref\n%d 1\n%010d 00000 n \ntrailer\n<< /Size %d /Root 1 0 R /Prev %s >>\nstartxref\n%d\n%%%%EOF\n" % (
        number,
        at,
        len(found) + 1,
        start,
        at + len(new),
    )
    return pdf + new + table


def attachment_swapped(pdf: bytes, other: bytes) -> bytes:
    streams = re.compile(rb"/EmbeddedFile.*?stream\r?\n(.*?)\r?\nendstream", re.DOTALL)
    mine, theirs = streams.search(pdf), streams.search(other)
    return pdf if mine is None or theirs is None else pdf[: mine.start(1)] + theirs[1] + pdf[mine.end(1) :] + b" "


def flipped_bytes(unsigned: int, signed: int) -> Line:
    """One bit of one byte anywhere in a face, also where no reader looks: 0 accepted."""
    for count, sealed in ((unsigned, False), (signed, True)):
        store = a_store(f"flips-{sealed}", signed=sealed)
        made, _ = two_reports(store)
        kinds = ("certificate", "data", "xml", "table", "curves", "proof")
        rng, wrong, file = random.Random(count), [], WORK / "flipped"
        originals = {kind: Path(made.files[kind]).read_bytes() for kind in kinds}
        for n in range(count):
            kind = kinds[n % len(kinds)]
            changed = bytearray(originals[kind])
            place = rng.randrange(len(changed))
            changed[place] ^= 1 << rng.randrange(8)
            file.write_bytes(changed)
            if said := accepted(file, store.home):
                wrong.append(f"{kind} at {place}: {said}")
        yield not wrong, f"{'signed' if sealed else 'unsigned'}: {count} flips, {len(wrong)} accepted or broken"
        for line in wrong[:5]:
            yield False, line


# ---- archives -------------------------------------------------------------------------------------------------------


def mutated_archives(count: int) -> Line:
    """Mutated job files: 0 tracebacks, 0 homes disabled, 0 half-taken."""
    store = a_store("jobs", signed=True)
    book = Book(store)
    book.open_job(Job(job=JOB, customer="Order desk (invented)"))
    book.take_in(Intake(job=JOB, part="QS4-0093", serial="93-00417"))
    two_reports(store)
    source = WORK / "job.zip"
    carry_out(store, JOB, source)
    with zipfile.ZipFile(source) as archive:
        files = {name: archive.read(name) for name in archive.namelist()}
    home = WORK / "receiving"
    take_in_quietly = Store(home)
    header = sample.a_header(simulated=False, current=True, job="own", serial="own")
    sample.stored(home, sample.good(), header)
    before = contents(home)
    broken: list[str] = []
    refused = taken = 0
    file = WORK / "mutated.zip"
    for seed in range(count):
        name, data = mutated(source.read_bytes(), files, random.Random(seed))
        file.write_bytes(data)
        try:
            take_in(take_in_quietly, file)
            taken += 1
        except RigError:
            refused += 1
        except BaseException as fault:  # noqa: BLE001
            broken.append(f"{seed} ({name}): traceback {fault!r}")
        after = contents(home)
        if after != before:
            whole = all(any(key.endswith(f) for key in after) for f in ("run.json", "journal.jsonl"))
            new = {key.split("/")[1] for key in set(after) - set(before) if key.startswith("runs/")}
            if len(new) not in (0, 2) or not whole:
                broken.append(f"{seed} ({name}): half-taken, {sorted(new)}")
            for key in set(after) - set(before):
                (home / key).unlink()
            for run in new:
                shutil.rmtree(home / "runs" / run, ignore_errors=True)
        try:
            listed = {row.serial for row in Store(home).list()}
            History(Store(home)).job(JOB)
            if "own" not in listed:
                broken.append(f"{seed} ({name}): the home's own run is not listed")
        except BaseException as fault:  # noqa: BLE001
            broken.append(f"{seed} ({name}): the home is disabled: {fault!r}")
    yield not broken, f"{count} archives: {refused} refused, {taken} taken whole, {len(broken)} broken"
    for line in broken[:5]:
        yield False, line


def contents(home: Path) -> dict[str, str]:
    found = {}
    for folder in ("runs", "book", "registers", "import", "issuing"):
        for file in (home / folder).rglob("*"):
            if file.is_file():
                found[str(file.relative_to(home))] = hashlib.sha256(file.read_bytes()).hexdigest()
    return found


def mutated(raw: bytes, files: dict[str, bytes], rng: random.Random) -> tuple[str, bytes]:
    """(kind, bytes): flips in the raw archive, or one file inside changed, the list of hashes made to fit or not."""
    kind = rng.choice(("flip", "flip", "cut", "inside", "inside fitted", "inside fitted", "list", "more", "less"))
    if kind == "flip":
        changed = bytearray(raw)
        for _ in range(rng.choice((1, 1, 3, 20))):
            changed[rng.randrange(len(changed))] ^= 1 << rng.randrange(8)
        return kind, bytes(changed)
    if kind == "cut":
        return kind, raw[: rng.randrange(len(raw))]
    inside = dict(files)
    name = rng.choice([n for n in inside if not n.endswith(".sig")])
    if kind == "less":
        inside.pop(name)
    elif kind == "more":
        inside[rng.choice(("runs/a-b-c/x", "../../evil", "/etc/evil", "book/" + "a" * 200 + ".json"))] = b"x"
    elif kind == "list":
        inside["manifest.json"] = hostile_json(rng)
    else:
        inside[name] = hostile_json(rng) if rng.random() < 0.5 else mangled(inside[name], rng)
        if kind == "inside fitted" and name != "manifest.json":
            manifest = json.loads(inside["manifest.json"])
            manifest["files"][name] = hashlib.sha256(inside[name]).hexdigest()
            inside["manifest.json"] = json.dumps(manifest).encode()
            if rng.random() < 0.7:
                inside.pop("manifest.sig", None)
    out = WORK / "made.zip"
    with zipfile.ZipFile(out, "w", rng.choice((zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED))) as archive:
        for one, data in inside.items():
            archive.writestr(one, data)
    return kind, out.read_bytes()


def mangled(data: bytes, rng: random.Random) -> bytes:
    changed = bytearray(data)
    if changed:
        changed[rng.randrange(len(changed))] ^= 1 << rng.randrange(8)
    return bytes(changed)


def hostile_json(rng: random.Random) -> bytes:
    return rng.choice(
        (
            b"[" * 50_000,
            b"{}",
            b"[]",
            b"null",
            b'{"schema": "anglewright job 1", "job": "TS-1180", "files": []}',
            b'{"schema": "anglewright job 1", "job": {"a": 1}, "files": {}}',
            b'{"schema": "anglewright entry 1", "kind": "job", "made_utc": "", "data": {"job": "a\\u2028b"}}',
            b'{"schema": "anglewright entry 1", "kind": "intake", "made_utc": "", "data": {"job": 3}}',
            b'{"schema": "anglewright register extract 1", "shop": "x", "head": {}, "lines": []}',
            b'{"a": ' + b"9" * 6000 + b"}",
            b'{"a": NaN}',
            b'{"a": "\\ud800"}',
            b"\xff\xfe\x00",
            b"",
        )
    )
