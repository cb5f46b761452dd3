"""A report's file as it is read, by kind: its number, its check, its signature, and where it differs from another.

A PDF is looked into without a PDF library: enough for files of our own (PDF 1.7 without object streams, as Typst writes
them): objects by number, streams inflated. It shows nothing and trusts nothing; what it can't read it leaves out.
Source: ISO 32000-1, 7.3.8, 7.3.10, 7.7.3.
"""

from __future__ import annotations

import csv
import io
import re
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

from rig.certificate.dcc.head import SEAL_TYPE
from rig.certificate.dcc.writer import NS
from rig.certificate.faces import SCHEMA
from rig.certificate.seal.canonical import changed_lines, changes, differing, short_json
from rig.certificate.seal.signatures import Signature, pdf_signature, xml_signature
from rig.certificate.seal.xml import XmlReport, xml_differences
from rig.errors import RecordError
from rig.records.files import parse_json

NUMBER = re.compile(rb"AW-\d{8}-\d{6}-[0-9a-f]{4}(?:-\d+)?")
OBJECT = re.compile(rb"(?<![0-9])(\d{1,7}) 0 obj\b(.*?)\bendobj\b", re.DOTALL)
STREAM = re.compile(rb"stream\r?\n(.*?)\r?\nendstream", re.DOTALL)


@dataclass(frozen=True, slots=True, kw_only=True)
class Face:
    """A report's file as read. number: "" when it names none. seal: hash of the report's data where the file holds one.

    faults: what is wrong with it, judged by itself. differences: places where it differs from the issued file's bytes.
    """

    kind: str
    suffix: str
    start: str = "certificate"
    number: str = ""
    seal: str = ""
    simulated: bool = False
    signature: Signature | None = None
    faults: list[str] = field(default_factory=list)
    differences: Callable[[bytes], list[str]]


def read_face(data: bytes, certificate: bytes | None) -> Face:
    """The file as what its first bytes say that it is. certificate: the shop's own, which a signature may be under."""
    readers = {b"%PDF": _pdf, b"<?xm": _xml, b"<dcc": _xml, b"<!DO": _xml, b"repo": _table}
    return readers.get(data.lstrip()[:4], _json)(data, certificate)


def _json(data: bytes, _certificate: bytes | None) -> Face:
    try:
        document, faults = parse_json(data, "the file"), []
    except RecordError as fault:
        document, faults = {}, [fault.message.removeprefix("the file: ").removesuffix(".")]
    number = str(document.get("number", "")) if document.get("schema") == SCHEMA else ""
    if faults:
        number = _report_number(data)
    return Face(
        kind="JSON",
        suffix=".json",
        number=number,
        simulated=bool(document.get("simulated")),
        faults=faults or differing(document),
        differences=lambda original: _changed_values(original, data),
    )


def _pdf(data: bytes, certificate: bytes | None) -> Face:
    attached = _attachment(data)
    document = _document(attached)
    return Face(
        kind="PDF",
        suffix=".pdf",
        number=str(document["number"]) if document else _report_number(data),
        simulated=bool(document.get("simulated")),
        signature=pdf_signature(data, certificate),
        faults=[f"attached data: {place}" for place in differing(document)] if document else [],
        differences=lambda original: [
            *places(original, data),
            *(f"attached data: {place}" for place in _changed_values(_attachment(original), attached)),
        ],
    )


def _xml(data: bytes, certificate: bytes | None) -> Face:
    report = XmlReport(data)
    if report.root is None:
        return Face(
            kind="XML", suffix=".xml", number=_report_number(data), faults=report.faults, differences=lambda _: []
        )
    statements = report.root.find(".//dcc:statements", NS)
    seal = report.root.find(f".//dcc:statement[@refType='{SEAL_TYPE}']", NS)
    return Face(
        kind="XML",
        suffix=".xml",
        number=report.root.findtext(".//dcc:coreData/dcc:uniqueIdentifier", default="", namespaces=NS),
        seal="".join(seal.itertext()) if seal is not None else "",
        simulated=statements is not None and "SIMULATED" in "".join(statements.itertext()),
        signature=None if report.faults else xml_signature(data, certificate),
        faults=report.faults,
        differences=lambda original: xml_differences(XmlReport(original).root, report.root),
    )


def _table(data: bytes, _certificate: bytes | None) -> Face:
    """A CSV face: it carries no check of its own, only the report's number in every row."""
    try:
        rows = list(csv.reader(io.StringIO(data.decode("utf-8", "replace"), newline="")))
    except csv.Error:
        rows = []
    if len(rows) < 2 or rows[0][:2] != ["report", "simulated"] or len(rows[1]) < 2:
        return Face(kind="CSV", suffix=".csv", number=_report_number(data), differences=lambda _: [])
    return Face(
        kind="CSV",
        suffix=".csv",
        start="curves" if rows[0][2:3] == ["angle_mech_deg"] else "certificate",
        number=rows[1][0],
        simulated=rows[1][1] == "SIMULATED",
        differences=lambda original: changed_lines(original, data),
    )


def _report_number(data: bytes) -> str:
    """The first report number that stands in these bytes, "" without one."""
    found = NUMBER.search(data)
    return found[0].decode() if found else ""


def _attachment(pdf: bytes) -> bytes:
    """The JSON face that a PDF carries, b"" without one."""
    return next((held for held in attachments(pdf) if _document(held)), b"")


def _document(data: bytes) -> dict[str, Any]:
    """The JSON face in these bytes, {} when it is none."""
    try:
        document = parse_json(data, "")
    except RecordError:
        return {}
    return document if document.get("schema") == SCHEMA and "number" in document else {}


def _changed_values(original: bytes, data: bytes) -> list[str]:
    was, now = _document(original), _document(data)
    if not was or not now:
        return []
    return [f"{path}: {short_json(old)} is now {short_json(new)}" for path, old, new in changes(was, now)]


# ---- within a PDF


def objects(pdf: bytes) -> dict[int, bytes]:
    """Object number -> its bytes, a stream inflated behind its dictionary; the last of several wins."""
    return {int(number): _open(body) for number, body in OBJECT.findall(pdf)}


def attachments(pdf: bytes) -> Iterator[bytes]:
    """The content of every embedded file."""
    for _, body in OBJECT.findall(pdf):
        if b"/EmbeddedFile" in body.partition(b"stream")[0] and (found := STREAM.search(body)):
            yield _inflate(found[1])


def places(kept: bytes, given: bytes) -> list[str]:
    """Where two versions of one PDF differ, in words: pages, attachments, other objects; [] for the same objects."""
    was, now = objects(kept), objects(given)
    changed = [n for n in sorted({*was, *now}) if was.get(n) != now.get(n)]
    pages = _pages(was)
    found = [pages.get(n) or _kind(n, was.get(n, now.get(n, b""))) for n in changed]
    return list(dict.fromkeys(found))


def _pages(held: dict[int, bytes]) -> dict[int, str]:
    """Object number -> 'page n' for pages and what they draw."""
    order = [int(n) for body in held.values() if re.search(rb"/Type\s*/Pages\b", body) for n in _kids(body)]
    named: dict[int, str] = {}
    for n, number in enumerate((k for k in order if b"/Kids" not in held.get(k, b"")), start=1):
        named[number] = f"page {n}"
        for contents in re.findall(rb"/Contents\s*\[?\s*((?:\d+ 0 R\s*)+)", held.get(number, b"")):
            named |= {int(c): f"page {n}" for c in re.findall(rb"(\d+) 0 R", contents)}
    return named


def _kids(body: bytes) -> list[bytes]:
    kids = re.search(rb"/Kids\s*\[(.*?)\]", body, re.DOTALL)
    return re.findall(rb"(\d+) 0 R", kids[1]) if kids else []


def _kind(number: int, body: bytes) -> str:
    head = body.partition(b"stream")[0]
    for mark, words in ((b"/EmbeddedFile", "an attached file"), (b"/Metadata", "the metadata"), (b"/Font", "a font")):
        if mark in head:
            return words
    return f"object {number}"


def _open(body: bytes) -> bytes:
    found = STREAM.search(body)
    return body if found is None else body[: found.start()] + b"stream\n" + _inflate(found[1])


def _inflate(raw: bytes) -> bytes:
    try:
        return zlib.decompress(raw)
    except zlib.error:
        return raw
