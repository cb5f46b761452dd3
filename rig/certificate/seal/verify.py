"""Is this report what was issued? A PDF, XML, JSON or CSV against its own check, its signature and the register.

    verify(path, home) -> Checked: "unchanged", "altered" (where) or "unknown"; signature; simulated; register's word

Unchanged: byte for byte what the register holds, or whole under a signature of this shop's key. Altered: its number is
known or its check is its own, and something differs; each place is named. Unknown: nothing here can vouch for it.
It changes nothing and opens no network.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rig.certificate.dcc.head import SEAL_TYPE
from rig.certificate.dcc.tree import NS
from rig.certificate.faces import SCHEMA
from rig.certificate.seal.canonical import changes, differing
from rig.certificate.seal.pdf_objects import attachments, places
from rig.certificate.seal.register import Entry, Register
from rig.certificate.seal.signatures import Signature, pdf_signature, xml_signature
from rig.certificate.shop import Shop, load_shop
from rig.errors import RecordError

AS_ISSUED = "Give the report's file as it was issued."
NUMBER = re.compile(rb"AW-\d{8}-\d{6}-[0-9a-f]{4}(?:-\d+)?")
EXIT_STATUS = {"unchanged": 0, "altered": 1, "unknown": 3}


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """What was found. where: every altered place. signature: in words. register: the register's word on the number."""

    file: str
    kind: str
    number: str
    state: str
    where: tuple[str, ...] = ()
    signature: str = "unsigned"
    simulated: bool = False
    register: str = "not in the register"
    broken: tuple[str, ...] = ()

    @property
    def exit_status(self) -> int:
        """0 unchanged, 1 altered, 3 unknown."""
        return EXIT_STATUS[self.state]


def verify(path: Path, home: Path) -> Checked:
    """Look at a file. Raises RecordError when it can't be read or is no report of this program at all."""
    try:
        data = path.read_bytes()
    except OSError as fault:
        raise RecordError(f"{path}: can't be read ({fault.strerror}).", next_action="Check the path.") from fault
    looks = {b"%PDF": _pdf, b"<?xm": _xml, b"<dcc": _xml, b"repo": _table}
    look = looks.get(data.lstrip()[:4], _json)
    return look(path, data, Register(home), home)


def _json(path: Path, data: bytes, register: Register, home: Path) -> Checked:
    document = _document(data)
    if document is None:
        raise RecordError(f"{path}: is no report (PDF, XML or JSON of one).", next_action=AS_ISSUED)
    number = str(document.get("number", ""))
    entry = register.find(number)
    kept = _kept(home, entry, ".json", data)
    where = _altered(document, _document(kept) if kept else None)
    state = _state(where, entry is not None and entry.hash == document["check"]["hash"], entry)
    if state == "altered" and not where:
        where = ["check (it is not the one in the register)"]
    return _checked(path, "JSON", number, state, where, None, bool(document.get("simulated")), register)


def _pdf(path: Path, data: bytes, register: Register, home: Path) -> Checked:
    document = next((d for held in attachments(data) if (d := _document(held)) is not None), None)
    found = register.by_face(hashlib.sha256(data).hexdigest())
    signature = pdf_signature(data, _known(load_shop(home)))
    named = [text.decode() for text in NUMBER.findall(data)]
    if document is None and found is None and not any(register.find(n) for n in named):
        raise RecordError(f"{path}: this PDF carries no report's data.", next_action=AS_ISSUED)
    number = found[0].number if found else str(document["number"]) if document else named[0]
    entry = register.find(number)
    where: list[str] = []
    if not found:
        kept = _kept(home, entry, ".pdf", data)
        where = places(kept, data) if kept else []
        held = next((d for a in attachments(kept) if (d := _document(a)) is not None), None) if kept else None
        where += [f"attached data: {place}" for place in _altered(document or {}, held)]
        if entry is not None and not where:
            where = ["bytes outside its objects, or the whole file written anew"]
    simulated = bool((document or {}).get("simulated")) or bool(entry and entry.simulated)
    state = _state(where, found is not None, entry, signature)
    return _checked(path, "PDF", number, state, where, signature, simulated, register)


def _xml(path: Path, data: bytes, register: Register, home: Path) -> Checked:
    from lxml import etree

    parser = etree.XMLParser(resolve_entities=False, no_network=True)
    try:
        root = etree.fromstring(data, parser)
    except etree.XMLSyntaxError as fault:
        raise RecordError(
            f"{path}: is no whole XML ({fault}).", next_action="Give the XML as it was issued."
        ) from fault
    number = root.findtext(".//dcc:coreData/dcc:uniqueIdentifier", default="", namespaces=NS)
    seal = root.find(f".//dcc:statement[@refType='{SEAL_TYPE}']", NS)
    found = register.by_face(hashlib.sha256(data).hexdigest())
    sealed = "".join(seal.itertext()) if seal is not None else ""
    entry = found[0] if found else register.find(number) or register.by_hash(sealed)
    if not number or (seal is None and entry is None):
        raise RecordError(
            f"{path}: this XML is no report of this program.", next_action="Give the XML as it was issued."
        )
    where: list[str] = []
    signature = xml_signature(data, _known(load_shop(home)))
    same = found is not None
    if not same and (kept := _kept(home, entry, ".xml", data)):
        before = etree.fromstring(kept, parser)
        same = etree.tostring(root, method="c14n") == etree.tostring(before, method="c14n")
        where = [] if same else _xml_places(before, root)
    simulated = "SIMULATED" in "".join(root.find(".//dcc:statements", NS).itertext()) or bool(entry and entry.simulated)
    return _checked(path, "XML", number, _state(where, same, entry, signature), where, signature, simulated, register)


def _table(path: Path, data: bytes, register: Register, home: Path) -> Checked:
    """A CSV face: it carries no check of its own, only the report's number in every row."""
    rows = data.decode("utf-8", "replace").splitlines()
    if not rows[0].startswith("report,simulated,"):
        raise RecordError(f"{path}: is no report's table.", next_action=AS_ISSUED)
    number = rows[1].partition(",")[0] if len(rows) > 1 else ""
    found = register.by_face(hashlib.sha256(data).hexdigest())
    entry = found[0] if found else register.find(number)
    name = "curves" if rows[0].startswith("report,simulated,angle") else "certificate"
    kept = None if found else _kept(home, entry, ".csv", data, name)
    was = kept.decode().splitlines() if kept else []
    where = (
        [f"line {n + 1}" for n in range(max(len(rows), len(was))) if rows[n : n + 1] != was[n : n + 1]] if was else []
    )
    simulated = len(rows) > 1 and rows[1].split(",")[1:2] == ["SIMULATED"]
    state = _state(where[:20], found is not None, entry)
    return _checked(path, "CSV", number, state, where[:20], None, simulated, register)


# ---- below --------------------------------------------------------------------------------------------------------


def _state(where: list[str], same: bool, entry: Entry | None, signature: Signature | None = None) -> str:
    if where or (signature is not None and not signature.whole):
        return "altered"
    if same or (signature is not None and signature.whole and signature.known):
        return "unchanged"
    return "altered" if entry is not None else "unknown"


def _checked(
    path: Path,
    kind: str,
    number: str,
    state: str,
    where: list[str],
    signature: Signature | None,
    simulated: bool,
    register: Register,
) -> Checked:
    return Checked(
        file=str(path),
        kind=kind,
        number=number,
        state=state,
        where=tuple(where),
        signature=signature.words if signature else "unsigned",
        simulated=simulated,
        register=register.state(number),
        broken=register.broken,
    )


def _document(data: bytes | None) -> dict[str, Any] | None:
    """The JSON face in these bytes, None when it is none."""
    try:
        document = json.loads(data or b"")
    except ValueError:
        return None
    if not isinstance(document, dict) or document.get("schema") != SCHEMA:
        return None
    return {"check": {"hash": ""}, **document} if isinstance(document.get("check"), Mapping) else None


def _altered(document: Mapping[str, Any], kept: Mapping[str, Any] | None) -> list[str]:
    """Altered places: value by value against the kept face, else part by part against the document's own check."""
    if kept is not None and kept != document:
        return [f"{path}: {_short(was)} is now {_short(now)}" for path, was, now in changes(kept, document)]
    return differing(document) if document else []


def _short(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) <= 80 else text[:77] + "..."


def _kept(home: Path, entry: Entry | None, suffix: str, data: bytes, start: str = "certificate") -> bytes | None:
    """The shop's own copy of a face, when it is still what the register holds and is not these very bytes."""
    if entry is None:
        return None
    for name, held in entry.faces.items():
        path = home / "runs" / entry.run / name
        if name.startswith(start) and name.endswith(suffix) and path.exists():
            copy = path.read_bytes()
            return copy if copy != data and hashlib.sha256(copy).hexdigest() == held else None
    return None


def _xml_places(was: Any, now: Any) -> list[str]:
    """Elements whose text or attributes differ, with both."""
    told = []
    old, new = list(was.iter()), list(now.iter())
    if len(old) != len(new):
        told.append(f"{len(new)} elements where {len(old)} were issued")
    for a, b in zip(old, new, strict=False):
        if (a.tag, (a.text or "").strip(), dict(a.attrib)) != (b.tag, (b.text or "").strip(), dict(b.attrib)):
            name = str(b.tag).rpartition("}")[2]
            above = [up.get("refType") for up in (b, *b.iterancestors()) if up.get("refType")]
            place = next((ref for ref in above if ref.startswith("anglewright")), above[0] if above else "")
            told.append(f"line {b.sourceline}, {name}{f' of {place}' if place else ''}: {a.text!r} is now {b.text!r}")
    return told[:20]


def _known(shop: Shop | None) -> bytes | None:
    if shop is None or shop.seal is None:
        return None
    path = shop.folder / shop.seal.certificate
    return path.read_bytes() if path.is_file() else None
