"""A job arrives: checked whole in a staging folder, accepted in one step, then moved to its places (manifest.py)."""

from __future__ import annotations

import os
import secrets
import shutil
import zipfile
import zlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from rig.errors import RecordError
from rig.records.book.entries import OF_A_JOB, read_entry
from rig.records.exchange.manifest import (
    INSIDE,
    MANIFEST,
    MOST_BYTES,
    MOST_FILES,
    PIECE,
    REGISTERS,
    SCHEMA,
    SIGNATURE,
    Manifest,
    copy_hashed,
)
from rig.records.files import LIMIT_BYTES, parse_json, sha256_of, sync, unwritable, write_new
from rig.records.names import FOLDER, erased_tokens, read_name
from rig.records.run.stored import StoredRun
from rig.records.schema import load
from rig.records.store import Store
from rig.system import take_lock

STAGING = "import"
ACCEPTED = ".accepted"
BROKEN_ARCHIVE = (zipfile.BadZipFile, zlib.error, NotImplementedError, RuntimeError, EOFError, ValueError, KeyError)
Check = Callable[[Path, bytes, bytes], None]
"""Of the staged folder, the manifest's bytes and its signature (b"" without one); raises RecordError."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Imported:
    """What came in: new runs and entries, and runs that were there already with the same bytes."""

    job: str
    runs: tuple[str, ...]
    known: tuple[str, ...]
    entries: int


def import_job(store: Store, path: Path, *, check: Check | None = None) -> Imported:
    """Take a job from a file into a home; safe to repeat.

    check: what a floor above has to say of the register's lines. Raises RecordError naming the file inside that is
    altered, missing, too large, not listed or in no schema of ours, or a run that differs from the one that is here;
    nothing of the archive has then been taken in.
    """
    with _turn(store):
        staging = store.home / STAGING / secrets.token_hex(4)
        try:
            with _opened(path) as archive:
                manifest, stated, signature = _manifest(path, archive)
                staging.mkdir(parents=True)
                _unpack(path, archive, manifest, staging)
            new, known = _compare_runs(path, store, staging)
            _check_entries(path, staging, manifest.job)
            if check is not None:
                with _name_archive(path, staging):
                    check(staging, stated, signature)
            accepted = staging.rename(staging.with_name(staging.name + ACCEPTED))
            sync(accepted.parent)
            entries = _take_in(store, accepted)
            return Imported(job=manifest.job, runs=tuple(new), known=tuple(known), entries=entries)
        except RecordError:
            raise
        except OSError as fault:
            raise unwritable(staging, fault) from fault
        finally:
            shutil.rmtree(staging, ignore_errors=True)
            _remove_empty(staging.parent)


def settle_imports(store: Store) -> None:
    """Finish or remove what a killed import left; costs one look when there is nothing. Raises RecordError."""
    if (store.home / STAGING).is_dir():
        with _turn(store):
            pass


@contextmanager
def _turn(store: Store) -> Iterator[None]:
    """One import at a time; what a killed one left is settled first."""
    store.home.mkdir(parents=True, exist_ok=True)
    with (store.home / "import.lock").open("w") as lock:
        take_lock(lock)
        for folder in sorted((store.home / STAGING).glob("*")) if (store.home / STAGING).is_dir() else ():
            if folder.name.endswith(ACCEPTED):
                _take_in(store, folder)
            else:
                shutil.rmtree(folder, ignore_errors=True)
        _remove_empty(store.home / STAGING)
        yield


def _remove_empty(folder: Path) -> None:
    if folder.is_dir() and not any(folder.iterdir()):
        folder.rmdir()


@contextmanager
def _opened(path: Path) -> Iterator[zipfile.ZipFile]:
    try:
        archive = zipfile.ZipFile(path)
    except (OSError, *BROKEN_ARCHIVE) as fault:
        raise RecordError(f"{path}: is no job file ({fault}).", next_action="Ask for it again.") from fault
    with archive:
        yield archive


def _manifest(path: Path, archive: zipfile.ZipFile) -> tuple[Manifest, bytes, bytes]:
    """(what it says of itself, the bytes of that, the signature over them or b"")."""
    infos = archive.infolist()
    if len(infos) > MOST_FILES or sum(info.file_size for info in infos) > MOST_BYTES:
        raise _alteration(path, f"it holds more than {MOST_FILES} files or {MOST_BYTES >> 30} GiB")
    where = f"{path}: {MANIFEST}"
    try:
        info = archive.getinfo(MANIFEST)
        if info.file_size > LIMIT_BYTES:
            raise _alteration(path, f"its {MANIFEST} is too large")
        data = archive.read(info)
        signed = SIGNATURE in archive.namelist()
        if signed and archive.getinfo(SIGNATURE).file_size > PIECE:
            raise _alteration(path, f"its {SIGNATURE} is too large")
        signature = archive.read(SIGNATURE) if signed else b""
    except BROKEN_ARCHIVE as fault:
        raise _alteration(path, f"its {MANIFEST} is missing or damaged") from fault
    manifest = load(Manifest, parse_json(data, where), where, SCHEMA)
    inside = [name for name in archive.namelist() if name not in (MANIFEST, SIGNATURE)]
    if sorted(inside) != sorted(manifest.files):
        odd = sorted(set(inside) ^ set(manifest.files)) or inside
        raise _alteration(path, f"{odd[0]} is missing, doubled or not listed")
    for name in manifest.files:
        if not INSIDE.fullmatch(name):
            raise _alteration(path, f"{name!r} has no place in a job file")
    return manifest, data, signature


def _unpack(path: Path, archive: zipfile.ZipFile, manifest: Manifest, staging: Path) -> None:
    for name, expected in manifest.files.items():
        target = staging / name
        target.parent.mkdir(parents=True, exist_ok=True)
        try:
            with archive.open(name) as source, target.open("wb") as out:
                found = copy_hashed(source, out)
                out.flush()
                os.fsync(out.fileno())
        except BROKEN_ARCHIVE as fault:
            raise _alteration(path, f"{name} is damaged") from fault
        if found != expected:
            raise _alteration(path, f"{name} is not what was exported")


def _compare_runs(path: Path, store: Store, staging: Path) -> tuple[list[str], list[str]]:
    """Ids of staged runs that are new, and those that are here with the same bytes; each one's own hashes must fit."""
    new: list[str] = []
    known: list[str] = []
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
        (known if here.exists() else new).append(folder.name)
    return new, known


def _check_entries(path: Path, staging: Path, job: str) -> None:
    """The staged entries of the book: each must be one of this job, in its schema; each name what its token says."""
    for file in sorted(staging.glob(f"{FOLDER}/*.json")):
        with _name_archive(path, staging):
            read_name(file)
    for file in sorted(staging.glob("book/*.json")):
        with _name_archive(path, staging):
            entry = read_entry(file)
            if entry["kind"] not in OF_A_JOB or entry["data"]["job"] != job:
                raise RecordError(f"{file}: is no entry of job {job}.")


@contextmanager
def _name_archive(path: Path, staging: Path) -> Iterator[None]:
    """A fault of a staged file, reported as one of the archive."""
    try:
        yield
    except RecordError as fault:
        raise _alteration(path, fault.message.replace(f"{staging}/", "").removesuffix(".")) from fault


def _take_in(store: Store, accepted: Path) -> int:
    """Move an accepted import to its places; how many entries were new. Safe to repeat after a kill."""
    book, registers = store.home / "book", store.home / REGISTERS
    for folder in (store.folder, book, registers, store.home / FOLDER):
        folder.mkdir(parents=True, exist_ok=True)
    for folder in sorted(accepted.glob("runs/*")):
        if not (store.folder / folder.name).exists():
            folder.rename(store.folder / folder.name)
            continue
        store.index.mark_stale(folder.name)  # later files of a run that is here: a report, a remark, a judgement
        _copy_new(sorted(folder.iterdir()), store.folder / folder.name)
    sync(store.folder)
    gone = erased_tokens(store.home)  # what was erased here does not come back
    names = [file for file in sorted(accepted.glob(f"{FOLDER}/*.json")) if file.stem not in gone]
    _copy_new(names, store.home / FOLDER)
    entries = _copy_new(sorted(accepted.glob("book/*.json")), book)
    _copy_new(sorted(accepted.glob("register/*.json")), registers)
    shutil.rmtree(accepted)
    store.index.refresh()
    return entries


def _copy_new(files: Sequence[Path], folder: Path) -> int:
    """Copy the files whose names are free; how many."""
    missing = [file for file in files if not (folder / file.name).exists()]
    for file in missing:
        write_new(folder / file.name, file.read_bytes())
    return len(missing)


def _alteration(path: Path, what: str) -> RecordError:
    return RecordError(f"{path}: {what}.", next_action="Ask for the file again; nothing of it was taken in.")
