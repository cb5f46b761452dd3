"""Is this report what was issued? A PDF, XML, JSON or CSV against the register, its own check and its signature.

    verify(path, home) -> Verification: "unchanged", "altered" (where) or "unknown"; signature; simulated; register

Unchanged: byte for byte what the register holds; away from the register, whole under a signature of this shop's key.
Altered: its number is known or its check is its own, and something differs; each place is named. A file that two
readers could read differently (a key that stands twice, a comment, a document type) is altered, whatever else fits.
Unknown: nothing here can vouch for it. It changes nothing and opens no network.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

from rig.certificate.seal.entry import RegisterEntry
from rig.certificate.seal.extract import SCHEMA as EXTRACT
from rig.certificate.seal.extract import Extract, load_extract
from rig.certificate.seal.face import NUMBER, Face, read_face
from rig.certificate.seal.heads import read_heads
from rig.certificate.seal.merkle import root
from rig.certificate.seal.register import Register
from rig.certificate.seal.signatures import fingerprint
from rig.certificate.shop import Shop, load_shop, shop_for
from rig.errors import RecordError
from rig.records.files import parse_json, read_file, read_json, sha256_of, to_json
from rig.records.run.stored import StoredRun
from rig.records.schema import dump

LIMIT_BYTES = 64 << 20
MOST_PLACES = 20
AS_ISSUED = "Give the report's file as it was issued."
EXIT_STATUS = {"unchanged": 0, "altered": 1, "unknown": 3}


@dataclass(frozen=True, slots=True, kw_only=True)
class Verification:
    """What was found. where: every altered place. signature: in words. register: the state of the number there."""

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


def verify(path: Path, home: Path) -> Verification:
    """Look at a file. Raises RecordError when it can't be read, is too large, or is no report of this program."""
    data = read_file(path, LIMIT_BYTES)
    if (proof := _proof(path, data, home)) is not None:
        return proof
    register, shop = Register(home), load_shop(home)
    face = read_face(data, shop.seal_certificate() if shop else None)
    issued = register.by_face(hashlib.sha256(data).hexdigest())
    entry = issued or _entry_of(face, data, register)
    if entry is None and not face.number:
        raise RecordError(
            f"{path}: is no report of this program (PDF, XML, JSON or CSV of one).", next_action=AS_ISSUED
        )
    signed = face.signature is not None and face.signature.whole and face.signature.known
    where = [] if issued else face.faults
    if entry is not None and not issued:
        original = _original(home, entry, face)
        where = [*where, *(face.differences(original) if original is not None else ())]
        where = where or [f"it is not byte for byte the file that the register holds for {entry.number}"]
    altered = bool(where) or (face.signature is not None and not face.signature.whole)
    return Verification(
        file=str(path),
        kind=face.kind,
        number=entry.number if entry else face.number,
        state="unchanged" if issued or (signed and not altered) else "altered" if altered else "unknown",
        where=tuple(where[:MOST_PLACES]),
        signature=face.signature.words if face.signature else "unsigned",
        simulated=face.simulated or bool(entry and entry.simulated),
        register=register.state(entry.number if entry else face.number),
        broken=register.faults,
    )


def _proof(path: Path, data: bytes, home: Path) -> Verification | None:
    """A report's proof as a file of its own; None for any other file."""
    try:
        document = parse_json(data, "the file")
    except RecordError:
        return None
    if document.get("schema") != EXTRACT:
        return None
    register = Register(home)
    where: list[str] = []
    number, state, signature = "", "unknown", "unsigned"
    try:
        extract = load_extract(document, "the proof")
        number = next((entry.number for entry in extract.entries), "")
        signature = f"tree head signed with key {fingerprint(extract.certificate.encode())[:16]}" * bool(
            extract.certificate
        )
        if extract.head.log == register.log:
            lines = {one.index: one.line.encode() for one in extract.lines}
            changed = [n for n, line in lines.items() if register.lines[n : n + 1] != (line,)]
            same = root(register.leaves[: extract.head.size]).hex() == extract.head.root
            where += [f"line {n + 1} is not the register's" for n in changed]
            where += [] if same else [f"the register no longer begins with the {extract.head.size} lines of this proof"]
            where += _proof_changes(extract, data, number, home)
            state = "altered" if where else "unchanged"
        elif any(one.log == extract.head.log for one in register.foreign):
            state = "unchanged"
    except RecordError as fault:
        state, where = "altered", [fault.message]
    return Verification(
        file=str(path),
        kind="proof",
        number=number,
        state=state,
        where=tuple(where),
        signature=signature,
        register=register.state(number),
        broken=register.faults,
    )


def _proof_changes(extract: Extract, data: bytes, number: str, home: Path) -> list[str]:
    """What no hash of the tree covers, held against this home: the words of the proof, its head, its certificate."""
    shop, names = _shop_and_names(extract.entries[0], home)
    found = []
    if to_json(dump(extract)) != data:
        found.append("the proof is not written as it was issued")
    if extract.head not in read_heads(home)[0]:
        found.append("its tree head is not one of this register")
    said = (extract.of, extract.made_utc, extract.before)
    if said != (f"report {number}", extract.head.at_utc, ()) or extract.shop not in names:
        found.append("what the proof says of itself, or of the shop, was changed")
    if extract.certificate and extract.certificate.encode() != (shop.seal_certificate() or b""):
        found.append("its certificate is not this shop's")
    return found


def _shop_and_names(entry: RegisterEntry, home: Path) -> tuple[Shop, set[str]]:
    """The shop as it is now, and each name that a report may carry: today's, and the one on its own unchanged face."""
    run = home / "runs" / entry.run
    shop = (shop_for(home, StoredRun(run).header.bench) if run.is_dir() else load_shop(home)) or Shop()
    names = {shop.name}
    for name, held in entry.faces.items():
        if name.endswith(".json") and (run / name).is_file() and sha256_of(run / name) == held:
            names |= set(read_json(run / name).get("shop", ())[:1])
    return shop, names


def _entry_of(face: Face, data: bytes, register: Register) -> RegisterEntry | None:
    """The register's line that a changed file is most likely of: by its number, its seal, or a number named in it."""
    numbers = [face.number, *(number.decode() for number in NUMBER.findall(data))]
    found = (register.find(number) for number in dict.fromkeys(numbers))
    return register.find(face.number) or register.by_hash(face.seal) or next((e for e in found if e is not None), None)


def _original(home: Path, entry: RegisterEntry, face: Face) -> bytes | None:
    """The shop's own copy of the file, when it is still what the register holds."""
    for name, held in entry.faces.items():
        path = home / "runs" / entry.run / name
        if name.startswith(face.start) and name.endswith(face.suffix) and path.exists():
            copy = read_file(path, LIMIT_BYTES)
            return copy if hashlib.sha256(copy).hexdigest() == held else None
    return None
