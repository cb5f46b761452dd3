"""A whole job in one file, to hand to a customer, an expert or another bench: written with hashes, checked when read.

    <job>.zip    runs/<id>/... (every file of every closed run)  book/<entry>.json  manifest.json (last: schema, hashes)

Nothing enters a home before everything fits: every hash of the archive, every run's own hashes, records and entries in
their schema, all within size limits. A run that is there already with the same bytes is known; with other bytes the
whole import is refused. It judges nothing.
"""

from __future__ import annotations

import hashlib
import os
import re
import secrets
import shutil
import zipfile
import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import IO

from rig.errors import RecordError, UsageError
from rig.records.book.entries import OF_A_JOB, read_entry
from rig.records.book.jobs import Book
from rig.records.files import LIMIT_BYTES, parse_json, sha256_of, sync, take_name, to_json, unwritable, write_new
from rig.records.run.stored import StoredRun
from rig.records.schema import dump, load
from rig.records.store import Store

SCHEMA = "anglewright job 1"
MANIFEST = "manifest.json"
INSIDE = re.compile(r"(?:runs/\w+-\w+-\w+/\w[\w.-]*|book/\w[\w.-]*\.json)")
PIECE = 1 << 20
MOST_FILES = 100_000
MOST_BYTES = 64 << 30  # of a whole archive, unpacked
BROKEN_ARCHIVE = (zipfile.BadZipFile, zlib.error, NotImplementedError, RuntimeError, EOFError, ValueError, KeyError)


@dataclass(frozen=True, slots=True, kw_only=True)
class Manifest:
    """What a job file says of itself. files: name inside -> sha256 (hex)."""

    job: str
    files: dict[str, str]
    software: str = ""
    exported_utc: str = ""
    schema: str = SCHEMA


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
                    hashes[name] = _pack(archive, file, name)
        for entry in entries:
            name = f"book/{entry['entry']}.json"
            hashes[name] = _pack(archive, book.folder / f"{entry['entry']}.json", name)
        software, now = f"anglewright {version('anglewright')}", datetime.now(UTC).isoformat(timespec="seconds")
        manifest = Manifest(job=job, files=hashes, software=software, exported_utc=now)
        archive.writestr(MANIFEST, to_json(dump(manifest)))
    return Exported(
        path=path,
        runs=tuple(run.id for run in closed),
        entries=len(entries),
        left_out=tuple(run.id for run in found if run.record is None),
    )


def import_job(store: Store, path: Path) -> Imported:
    """Take a job from a file into a home; safe to repeat.

    Raises RecordError naming the file inside that is altered, missing, too large, not listed or in no schema of ours,
    or a run that differs from the one that is here; nothing of the archive has then been taken in.
    """
    staging = store.home / "import" / secrets.token_hex(4)
    try:
        with _opened(path) as archive:
            manifest = _manifest(path, archive)
            staging.mkdir(parents=True)
            _unpack(path, archive, manifest, staging)
        new, known = _compare_runs(path, store, staging)
        entries = _check_entries(path, staging, manifest.job)
        return _take_in(store, manifest.job, entries, new, known)
    except RecordError:
        raise
    except OSError as fault:
        raise unwritable(staging, fault) from fault
    finally:
        shutil.rmtree(staging, ignore_errors=True)


# ---- writing --------------------------------------------------------------------------------------------------------


@contextmanager
def _aside(path: Path) -> Iterator[Path]:
    aside = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        yield aside
        sync(aside)
        take_name(aside, path)
    except RecordError:
        raise
    except OSError as fault:
        raise unwritable(path, fault) from fault
    finally:
        aside.unlink(missing_ok=True)


def _pack(archive: zipfile.ZipFile, file: Path, name: str) -> str:
    """Copy a file into the archive; the hash of exactly the bytes that went in."""
    info = zipfile.ZipInfo.from_file(file, name, strict_timestamps=False)
    info.compress_type = zipfile.ZIP_STORED if file.suffix in (".h5", ".pdf", ".jpg", ".png") else zipfile.ZIP_DEFLATED
    with file.open("rb") as source, archive.open(info, "w", force_zip64=True) as target:
        return _copy(source, target)


def _copy(source: IO[bytes], target: IO[bytes]) -> str:
    digest = hashlib.sha256()
    while piece := source.read(PIECE):
        digest.update(piece)
        target.write(piece)
    return digest.hexdigest()


# ---- reading --------------------------------------------------------------------------------------------------------


@contextmanager
def _opened(path: Path) -> Iterator[zipfile.ZipFile]:
    try:
        archive = zipfile.ZipFile(path)
    except (OSError, *BROKEN_ARCHIVE) as fault:
        raise RecordError(f"{path}: is no job file ({fault}).", next_action="Ask for it again.") from fault
    with archive:
        yield archive


def _manifest(path: Path, archive: zipfile.ZipFile) -> Manifest:
    infos = archive.infolist()
    if len(infos) > MOST_FILES or sum(info.file_size for info in infos) > MOST_BYTES:
        raise _alteration(path, f"it holds more than {MOST_FILES} files or {MOST_BYTES >> 30} GiB")
    where = f"{path}: {MANIFEST}"
    try:
        info = archive.getinfo(MANIFEST)
        if info.file_size > LIMIT_BYTES:
            raise _alteration(path, f"its {MANIFEST} is too large")
        data = archive.read(info)
    except BROKEN_ARCHIVE as fault:
        raise _alteration(path, f"its {MANIFEST} is missing or damaged") from fault
    manifest = load(Manifest, parse_json(data, where), where, SCHEMA)
    inside = [name for name in archive.namelist() if name != MANIFEST]
    if sorted(inside) != sorted(manifest.files):
        odd = sorted(set(inside) ^ set(manifest.files)) or inside
        raise _alteration(path, f"{odd[0]} is missing, doubled or not listed")
    for name in manifest.files:
        if not INSIDE.fullmatch(name):
            raise _alteration(path, f"{name!r} has no place in a job file")
    return manifest


def _unpack(path: Path, archive: zipfile.ZipFile, manifest: Manifest, staging: Path) -> None:
    for name, expected in manifest.files.items():
        target = staging / name
        target.parent.mkdir(parents=True, exist_ok=True)
        try:
            with archive.open(name) as source, target.open("wb") as out:
                found = _copy(source, out)
                out.flush()
                os.fsync(out.fileno())
        except BROKEN_ARCHIVE as fault:
            raise _alteration(path, f"{name} is damaged") from fault
        if found != expected:
            raise _alteration(path, f"{name} is not what was exported")


def _compare_runs(path: Path, store: Store, staging: Path) -> tuple[list[Path], list[Path]]:
    """Staged runs that are new, and those that are here with the same bytes; each one's own hashes must fit."""
    new: list[Path] = []
    known: list[Path] = []
    for folder in sorted(staging.glob("runs/*")):
        staged, here = StoredRun(folder), store.folder / folder.name
        with _name_archive(path, staging):
            if staged.record is None or staged.header.run != folder.name:
                raise RecordError(f"{folder}: is no closed run of that name.")
            if wrong := staged.altered_files():
                raise RecordError(f"{folder}/{wrong[0]}: is not what it was when the run was closed.")
            _ = (staged.readings, staged.evaluations)
        for file in folder.iterdir() if here.exists() else ():
            if (here / file.name).exists() and sha256_of(here / file.name) != sha256_of(file):
                raise RecordError(
                    f"{path}: runs/{folder.name}/{file.name} differs from the one that is kept here.",
                    next_action="Compare the two; import into a home of its own (ANGLEWRIGHT_HOME).",
                )
        (known if here.exists() else new).append(folder)
    return new, known


def _check_entries(path: Path, staging: Path, job: str) -> list[Path]:
    """The staged entries of the book; each must be one of this job, in its schema."""
    files = sorted(staging.glob("book/*.json"))
    for file in files:
        with _name_archive(path, staging):
            entry = read_entry(file)
            if entry["kind"] not in OF_A_JOB or entry["data"]["job"] != job:
                raise RecordError(f"{file}: is no entry of job {job}.")
    return files


@contextmanager
def _name_archive(path: Path, staging: Path) -> Iterator[None]:
    """A fault of a staged file, reported as one of the archive."""
    try:
        yield
    except RecordError as fault:
        raise _alteration(path, fault.message.replace(f"{staging}/", "").removesuffix(".")) from fault


def _take_in(store: Store, job: str, staged: Sequence[Path], new: Sequence[Path], known: Sequence[Path]) -> Imported:
    book = store.home / "book"
    for folder in (store.folder, book):
        folder.mkdir(parents=True, exist_ok=True)
    for folder in new:
        folder.rename(store.folder / folder.name)
    for folder in known:  # later files of a run that is here: another certificate, a remark, a judgement
        store.index.mark_stale(folder.name)
        _copy_new(sorted(folder.iterdir()), store.folder / folder.name)
    entries = _copy_new(staged, book)
    store.index.refresh()
    return Imported(
        job=job,
        runs=tuple(folder.name for folder in new),
        known=tuple(folder.name for folder in known),
        entries=entries,
    )


def _copy_new(files: Sequence[Path], folder: Path) -> int:
    """Copy the files whose names are free; how many."""
    missing = [file for file in files if not (folder / file.name).exists()]
    for file in missing:
        write_new(folder / file.name, file.read_bytes())
    return len(missing)


def _alteration(path: Path, what: str) -> RecordError:
    return RecordError(f"{path}: {what}.", next_action="Ask for the file again; nothing of it was taken in.")
