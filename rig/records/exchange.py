"""A whole job in one file, to hand to a customer, an expert or another bench: written with hashes, read back checked.

    <job>.zip    runs/<id>/... (every file of every closed run)  book/<entry>.json  manifest.json (last: schema, hashes)

Nothing enters a home before every hash of the archive and every run's own hashes fit; a run that is there already with
the same bytes is known, with other bytes the whole import is refused. It judges nothing.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import secrets
import shutil
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

from rig.errors import RecordError, UsageError
from rig.records.book.jobs import Book
from rig.records.files import sha256_of, take_name, unwritable, write_new
from rig.records.run.stored import StoredRun
from rig.records.store import Store

SCHEMA = "anglewright job 1"
MANIFEST = "manifest.json"
INSIDE = re.compile(r"(?:runs/\w+-\w+-\w+/\w[\w.-]*|book/\w[\w.-]*\.json)")
PIECE = 1 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Exported:
    """What went into the file. left_out: runs of the job that are not closed."""

    path: Path
    runs: tuple[str, ...]
    entries: int
    left_out: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Imported:
    """What came in: new runs and entries, and runs that were there already with the same bytes."""

    job: str
    runs: tuple[str, ...]
    known: tuple[str, ...]
    entries: int


def export_job(store: Store, job: str, path: Path) -> Exported:
    """Write a job's closed runs and its entries in the book to a new file.

    Raises UsageError for a job without a run and an entry, RecordError when the file is there already or the disk
    refuses; nothing half-written is left.
    """
    found = [StoredRun(store.folder / row.run) for row in reversed(store.list(job=job))]
    closed = [run for run in found if run.record is not None]
    book = Book(store)
    entries = [e for kind in ("job", "intake", "return") for e in book.of(kind) if e["job"] == job]
    if not closed and not entries:
        raise UsageError(f"nothing is kept of job {job!r}.", next_action="Look at `anglewright unit` for job numbers.")
    hashes: dict[str, str] = {}
    with _aside(path) as aside, zipfile.ZipFile(aside, "w", zipfile.ZIP_DEFLATED) as archive:
        for run in closed:
            for file in sorted(run.path.iterdir()):
                if file.is_file() and INSIDE.fullmatch(name := f"runs/{run.id}/{file.name}"):
                    hashes[name] = _packed(archive, file, name)
        for entry in entries:
            name = f"book/{entry['entry']}.json"
            hashes[name] = _packed(archive, book.folder / f"{entry['entry']}.json", name)
        manifest = {"schema": SCHEMA, "job": job, "software": f"anglewright {version('anglewright')}"}
        manifest |= {"exported_utc": datetime.now(UTC).isoformat(timespec="seconds")}
        archive.writestr(MANIFEST, json.dumps(manifest | {"files": hashes}, ensure_ascii=False, indent=1))
    return Exported(
        path=path,
        runs=tuple(run.id for run in closed),
        entries=len(entries),
        left_out=tuple(run.id for run in found if run.record is None),
    )


def import_job(store: Store, path: Path) -> Imported:
    """Take a job from a file into a home; safe to repeat.

    Raises RecordError naming the file inside that is altered, missing or not listed, or a run that differs from the
    one that is here; nothing of the archive has then been taken in.
    """
    try:
        archive = zipfile.ZipFile(path)
    except (OSError, zipfile.BadZipFile) as fault:
        raise RecordError(f"{path}: is no job file ({fault}).", next_action="Ask for it again.") from fault
    staging = store.home / "import" / secrets.token_hex(4)
    try:
        with archive:
            manifest = _manifest(path, archive)
            staging.mkdir(parents=True)
            _unpack(path, archive, manifest["files"], staging)
        new, known = _compared(path, store, staging)
        return _taken_in(store, manifest["job"], staging, new, known)
    except OSError as fault:
        if isinstance(fault, RecordError):
            raise
        raise unwritable(staging, fault) from fault
    finally:
        shutil.rmtree(staging, ignore_errors=True)


# ---- writing --------------------------------------------------------------------------------------------------------


@contextmanager
def _aside(path: Path) -> Iterator[Path]:
    aside = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        yield aside
        with aside.open("rb") as handle:
            os.fsync(handle.fileno())
        take_name(aside, path)
    except OSError as fault:
        if isinstance(fault, RecordError):
            raise
        raise unwritable(path, fault) from fault
    finally:
        aside.unlink(missing_ok=True)


def _packed(archive: zipfile.ZipFile, file: Path, name: str) -> str:
    """Copy a file into the archive; the hash of exactly the bytes that went in."""
    digest = hashlib.sha256()
    info = zipfile.ZipInfo.from_file(file, name, strict_timestamps=False)
    info.compress_type = zipfile.ZIP_STORED if file.suffix in (".h5", ".pdf", ".jpg", ".png") else zipfile.ZIP_DEFLATED
    with file.open("rb") as source, archive.open(info, "w", force_zip64=True) as target:
        while piece := source.read(PIECE):
            digest.update(piece)
            target.write(piece)
    return digest.hexdigest()


# ---- reading --------------------------------------------------------------------------------------------------------


def _manifest(path: Path, archive: zipfile.ZipFile) -> dict[str, Any]:
    try:
        manifest = json.loads(archive.read(MANIFEST))
    except (KeyError, ValueError, zipfile.BadZipFile) as fault:
        raise _altered(path, f"its {MANIFEST} is missing or damaged") from fault
    if not isinstance(manifest, dict) or manifest.get("schema") != SCHEMA:
        raise RecordError(
            f"{path}: is no job file of schema {SCHEMA!r}.", next_action="Read it with the version that wrote it."
        )
    files = manifest.get("files")
    if not isinstance(files, dict) or not isinstance(manifest.get("job"), str):
        raise _altered(path, f"its {MANIFEST} is incomplete")
    inside = [name for name in archive.namelist() if name != MANIFEST]
    if sorted(inside) != sorted(files):
        odd = sorted(set(inside) ^ set(files)) or inside
        raise _altered(path, f"{odd[0]} is missing, doubled or not listed")
    for name in files:
        if not INSIDE.fullmatch(name):
            raise _altered(path, f"{name!r} has no place in a job file")
    return manifest


def _unpack(path: Path, archive: zipfile.ZipFile, files: dict[str, str], staging: Path) -> None:
    for name, expected in files.items():
        target = staging / name
        target.parent.mkdir(parents=True, exist_ok=True)
        digest = hashlib.sha256()
        try:
            with archive.open(name) as source, target.open("wb") as out:
                while piece := source.read(PIECE):
                    digest.update(piece)
                    out.write(piece)
                out.flush()
                os.fsync(out.fileno())
        except zipfile.BadZipFile as fault:
            raise _altered(path, f"{name} is damaged") from fault
        if digest.hexdigest() != expected:
            raise _altered(path, f"{name} is not what was exported")


def _compared(path: Path, store: Store, staging: Path) -> tuple[list[Path], list[Path]]:
    """Staged runs that are new, and those that are here with the same bytes; each one's own hashes must fit."""
    new, known = [], []
    for folder in sorted(staging.glob("runs/*")):
        if wrong := StoredRun(folder).altered():
            raise _altered(path, f"runs/{folder.name}/{wrong[0]} is not what it was when the run was closed")
        here = store.folder / folder.name
        if not here.exists():
            new.append(folder)
            continue
        for file in folder.iterdir():
            if (here / file.name).exists() and sha256_of(here / file.name) != sha256_of(file):
                raise RecordError(
                    f"{path}: runs/{folder.name}/{file.name} differs from the one that is kept here.",
                    next_action="Compare the two; import into a home of its own (ANGLEWRIGHT_HOME).",
                )
        known.append(folder)
    return new, known


def _taken_in(store: Store, job: str, staging: Path, new: list[Path], known: list[Path]) -> Imported:
    store.folder.mkdir(parents=True, exist_ok=True)
    for folder in new:
        folder.rename(store.folder / folder.name)
    for folder in known:  # later files of a run that is here: another certificate, a remark, a judgement
        store.index.mark_stale(folder.name)
        for file in sorted(folder.iterdir()):
            target = store.folder / folder.name / file.name
            if not target.exists():
                write_new(target, file.read_bytes())
    book = store.home / "book"
    book.mkdir(parents=True, exist_ok=True)
    entries = [file for file in sorted(staging.glob("book/*.json")) if not (book / file.name).exists()]
    for file in entries:
        write_new(book / file.name, file.read_bytes())
    store.index.refresh()
    return Imported(
        job=job,
        runs=tuple(folder.name for folder in new),
        known=tuple(folder.name for folder in known),
        entries=len(entries),
    )


def _altered(path: Path, what: str) -> RecordError:
    return RecordError(f"{path}: {what}.", next_action="Ask for the file again; nothing of it was taken in.")
