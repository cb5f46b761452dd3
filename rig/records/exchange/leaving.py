"""A job leaves: its closed runs, its entries in the book, and what vouches for its reports, in one new file."""

from __future__ import annotations

import hashlib
import os
import zipfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path

from rig.errors import RecordError, UsageError
from rig.records.book.jobs import Book
from rig.records.exchange.manifest import INSIDE, MANIFEST, SIGNATURE, Manifest, copy_hashed
from rig.records.files import sync, take_name, to_json, unwritable
from rig.records.names import FOLDER, TOKEN
from rig.records.run.stored import RECORD, StoredRun
from rig.records.schema import dump
from rig.records.store import Store

Sign = Callable[[bytes], bytes]


@dataclass(frozen=True, slots=True, kw_only=True)
class Exported:
    """What went into the file. left_out: runs of the job that are not closed."""

    path: Path
    runs: tuple[str, ...]
    entries: int
    left_out: tuple[str, ...]


def runs_of_job(store: Store, job: str) -> list[StoredRun]:
    """The closed runs of a job, oldest first."""
    found = [StoredRun(store.folder / row.run) for row in reversed(store.list(job=job))]
    return [run for run in found if run.record is not None]


def export_job(
    store: Store, job: str, path: Path, *, registers: Mapping[str, bytes] | None = None, sign: Sign | None = None
) -> Exported:
    """Write a job's closed runs and its entries in the book to a new file.

    registers: file name -> extract of a register, to travel with it. sign: makes the signature over the manifest.
    Raises UsageError for a job without a run and an entry, RecordError when the file is there already or the disk
    refuses; nothing half-written is left.
    """
    closed = runs_of_job(store, job)
    left_out = {row.run for row in store.list(job=job)} - {run.id for run in closed}
    book = Book(store)
    entries = [e for kind in ("job", "intake", "return") for e in book.of(kind) if e["job"] == job]
    if not closed and not entries:
        raise UsageError(f"nothing is kept of job {job!r}.", next_action="Look at `anglewright unit` for job numbers.")
    hashes: dict[str, str] = {}
    with file_aside(path) as aside, zipfile.ZipFile(aside, "w", zipfile.ZIP_DEFLATED) as archive:
        for run in closed:
            for file in sorted(run.path.iterdir()):
                if file.is_file() and INSIDE.fullmatch(name := f"runs/{run.id}/{file.name}"):
                    hashes[name] = _pack(archive, file, name)
        for entry in entries:
            name = f"book/{entry['entry']}.json"
            hashes[name] = _pack(archive, book.folder / f"{entry['entry']}.json", name)
        for file in _names(store, closed, [book.folder / f"{entry['entry']}.json" for entry in entries]):
            hashes[f"{FOLDER}/{file.name}"] = _pack(archive, file, f"{FOLDER}/{file.name}")
        for file_name, data in (registers or {}).items():
            name = f"register/{file_name}"
            archive.writestr(name, data)
            hashes[name] = hashlib.sha256(data).hexdigest()
        software, now = f"anglewright {version('anglewright')}", datetime.now(UTC).isoformat(timespec="seconds")
        manifest = Manifest(job=job, files=hashes, software=software, exported_utc=now)
        stated = to_json(dump(manifest))
        archive.writestr(MANIFEST, stated)
        if sign is not None:
            archive.writestr(SIGNATURE, sign(stated))
    return Exported(
        path=path,
        runs=tuple(run.id for run in closed),
        entries=len(entries),
        left_out=tuple(sorted(left_out)),
    )


def _names(store: Store, runs: Sequence[StoredRun], entries: Sequence[Path]) -> list[Path]:
    """Files of the names that these runs and entries refer to; one that was erased is no longer there."""
    referring = [*entries]
    for run in runs:
        referring += [run.path / RECORD, *run.path.glob("correction*.json")]
    tokens = {token for file in referring for token in TOKEN.findall(file.read_text(encoding="utf-8"))}
    return [file for token in sorted(tokens) if (file := store.home / FOLDER / f"{token}.json").exists()]


@contextmanager
def file_aside(path: Path) -> Iterator[Path]:
    """A place to write a large file at, given the final name when the block ends; nothing half-written is left."""
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
        return copy_hashed(source, target)
