"""Writing files that are never half there and never overwritten: aside, synced, then linked to the final name.

It knows nothing of runs. POSIX: link(2) fails when the name exists, so two writers can't replace each other's file.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from rig.errors import RecordError

DISK_ADVICE = "Free some space on that disk (or mend its permissions) and start the run again."


def unwritable(path: Path, fault: OSError) -> RecordError:
    """The error for a file that can't be written, with the path and the system's reason."""
    return RecordError(f"{path}: can't be written ({fault.strerror or fault}).", next_action=DISK_ADVICE)


def sync_folder(folder: Path) -> None:
    """Make new names in a folder survive a power cut."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def take_name(source: Path, target: Path) -> None:
    """Give a finished file its final name. Raises RecordError when that name is taken: nothing is overwritten."""
    try:
        os.link(source, target)
    except FileExistsError as fault:
        raise RecordError(
            f"{target}: is there already and is never overwritten.", next_action="Look at it before writing again."
        ) from fault
    os.unlink(source)
    sync_folder(target.parent)


def write_new(path: Path, data: bytes) -> Path:
    """Write a new file whole or not at all. Raises RecordError (disk full, name taken); leaves nothing half-written."""
    aside = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with aside.open("wb") as handle:
            handle.write(data)
            handle.flush()
            os.fsync(handle.fileno())
        take_name(aside, path)
    except RecordError:
        raise
    except OSError as fault:
        raise unwritable(path, fault) from fault
    finally:
        with suppress(OSError):
            aside.unlink()
    return path


def write_beside(path: Path, data: bytes) -> Path:
    """Write under the name, or the next free one beside it (certificate-2.pdf, -3 ...); the path that was taken."""
    while True:
        free = next_free(path)
        try:
            return write_new(free, data)
        except RecordError:
            if not free.exists():
                raise


def next_free(path: Path) -> Path:
    """The name itself, or with -2, -3 ... before the suffix: the first that is free."""
    free, n = path, 1
    while free.exists():
        n += 1
        free = path.with_name(f"{path.stem}-{n}{path.suffix}")
    return free


def to_json(data: Mapping[str, Any], *, indent: int | None = 1) -> bytes:
    """JSON in UTF-8. Raises RecordError for what JSON can't carry (NaN, infinity, foreign objects)."""
    try:
        text = json.dumps(data, ensure_ascii=False, allow_nan=False, indent=indent)
    except (ValueError, TypeError) as fault:
        raise RecordError(
            f"a record holds what JSON can't carry ({fault}).", next_action="Store null where there is no number."
        ) from fault
    return (text + "\n").encode()


def read_json(path: Path) -> dict[str, Any]:
    """A JSON object from a file. Raises RecordError that names the file (missing, cut, damaged)."""
    try:
        data = json.loads(path.read_bytes())
    except OSError as fault:
        raise RecordError(
            f"{path}: can't be read ({fault.strerror or fault}).", next_action="Check that the run folder is whole."
        ) from fault
    except ValueError as fault:
        raise RecordError(
            f"{path}: is damaged, not JSON ({fault}).", next_action="Restore it from a copy of the run folder."
        ) from fault
    if not isinstance(data, dict):
        raise RecordError(f"{path}: holds no JSON object.", next_action="Restore it from a copy of the run folder.")
    return data


def sha256_of(path: Path) -> str:
    """Hex sha256 of a file's bytes."""
    try:
        with path.open("rb") as handle:
            return hashlib.file_digest(handle, "sha256").hexdigest()
    except OSError as fault:
        raise RecordError(
            f"{path}: can't be read ({fault.strerror or fault}).", next_action="Check that the run folder is whole."
        ) from fault
