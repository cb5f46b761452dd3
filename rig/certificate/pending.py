"""A report being issued: put down whole before the register knows it, put into the run's folder after it does.

    <home>/issuing/<number>/   the faces, then intent.json (the register's line to be)

The register's line is what makes a report issued. Killed before it, what stands here is removed at the next start;
killed after it, the faces take their places then. So no signed face is ever outside the register, and no line without
its faces. One issue at a time in a home, by a file lock.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from rig.certificate.seal.entry import RegisterEntry
from rig.certificate.seal.extract import make_extract
from rig.certificate.seal.heads import read_heads
from rig.certificate.seal.register import Register
from rig.certificate.shop import Shop, shop_for
from rig.errors import RecordError
from rig.records.files import read_json, sha256_of, sync, take_name, to_json, write_new
from rig.records.run.stored import StoredRun
from rig.records.schema import dump, load
from rig.system import take_lock

FOLDER = "issuing"
LOCK = "issuing.lock"
INTENT = "intent.json"
PROOF = "proof.json"


@contextmanager
def turn(home: Path) -> Iterator[None]:
    """One issue at a time; what a killed one left is settled first. Raises RecordError."""
    home.mkdir(parents=True, exist_ok=True)
    with (home / LOCK).open("w") as lock:
        take_lock(lock)
        _settle(home)
        yield


def settle(home: Path) -> None:
    """Finish or remove what a killed issue left; costs one look when there is nothing. Raises RecordError."""
    if (home / FOLDER).is_dir():
        with turn(home):
            pass


def put_down(home: Path, entry: RegisterEntry, faces: Mapping[str, bytes]) -> Path:
    """The faces (file name -> bytes) and the line to be, on the disk; the folder. Call it under `turn`."""
    folder = home / FOLDER / entry.number
    folder.mkdir(parents=True)
    for name, data in faces.items():
        write_new(folder / name, data)
    write_new(folder / INTENT, to_json(dump(entry)))
    sync(folder.parent)
    return folder


def take_places(home: Path, folder: Path, shop: Shop) -> None:
    """Put the faces of a registered report into the run's folder, and its proof beside them. Safe to repeat."""
    entry = load(RegisterEntry, read_json(folder / INTENT), str(folder / INTENT))
    run = home / "runs" / entry.run
    for name, held in entry.faces.items():
        staged, place = folder / name, run / name
        if staged.exists() and not place.exists():
            take_name(staged, place)
        if not place.exists() or sha256_of(place) != held:
            raise RecordError(
                f"{place}: is not what the register holds for {entry.number}.",
                next_action=f"Move it away and repeat the command; the report's file lies in {folder}.",
            )
    proof = run / proof_name(entry)
    if not proof.exists():
        write_new(proof, proof_of(Register(home), entry.number, shop))
    shutil.rmtree(folder)
    _remove_empty(folder.parent)


def proof_of(register: Register, number: str, shop: Shop) -> bytes:
    """The proof that a report's line stands in the register, by its newest tree head."""
    head = max(read_heads(register.home)[0], key=lambda one: one.size)
    extract = make_extract(
        register.lines,
        register.leaves,
        lambda entry: entry.number == number and entry.event != "withdrawn",
        head=head,
        shop=shop.name,
        certificate=shop.seal_certificate() or b"",
        of=f"report {number}",
    )
    return to_json(dump(extract))


def proof_name(entry: RegisterEntry) -> str:
    """The proof's file beside the faces: proof.json for certificate.pdf, proof-2.json for certificate-2.pdf."""
    return next((name.replace("certificate", "proof") for name in entry.faces if name.endswith(".json")), PROOF)


def _settle(home: Path) -> None:
    """Every folder that is left: its report was registered, or it never was one."""
    for folder in sorted((home / FOLDER).glob("*")) if (home / FOLDER).is_dir() else ():
        register = Register(home)
        try:
            entry = load(RegisterEntry, read_json(folder / INTENT), str(folder / INTENT))
        except RecordError:
            shutil.rmtree(folder)
            continue
        known = next((e for e in register.entries if e.number == entry.number and e.event != "withdrawn"), None)
        if known is None or known.faces != entry.faces:
            shutil.rmtree(folder)
        else:
            take_places(home, folder, shop_for(home, StoredRun(home / "runs" / entry.run).header.bench))
    _remove_empty(home / FOLDER)


def _remove_empty(folder: Path) -> None:
    if folder.is_dir() and not any(folder.iterdir()):
        folder.rmdir()
