"""Writing files that are never half there and never overwritten: without a name, synced, then linked to the final name.

It knows nothing of runs. POSIX: link(2) fails when the name exists, so two writers can't replace each other's file. On
Linux a file that has no name yet (open(2), O_TMPFILE) vanishes with a killed writer; where the file system has none,
it is written under a name of its own, and the next write into that folder clears what a dead writer left.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
import stat
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from rig.errors import RecordError

LIMIT_BYTES = 256 << 20
AS_WRITTEN = "Give the file as it was written."
RESTORE_RUN = "Restore it from a copy of the run folder."
DISK_ADVICE = "Free some space on that disk (or mend its permissions) and start the run again."


def utc_now() -> str:
    """The time as files hold it: UTC to the second, ending in Z."""
    return datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def unwritable(path: Path, fault: OSError) -> RecordError:
    """The error for a file that can't be written, with the path and the system's reason."""
    return RecordError(f"{path}: can't be written ({fault.strerror or fault}).", next_action=DISK_ADVICE)


def sync(path: Path) -> None:
    """Make a file, or the new names in a folder, survive a power cut."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def take_name(source: Path, target: Path) -> None:
    """Give a finished file its final name. Raises RecordError when that name is taken: nothing is overwritten."""
    try:
        os.link(source, target)
    except FileExistsError as fault:
        raise _name_in_use(target) from fault
    os.unlink(source)
    sync(target.parent)


def _name_in_use(path: Path) -> RecordError:
    advice = "Look at it before writing again."
    return RecordError(f"{path}: is there already and is never overwritten.", next_action=advice)


def write_new(path: Path, data: bytes) -> Path:
    """Write a new file whole or not at all. Raises RecordError (disk full, name taken); leaves nothing half-written."""
    try:
        if not _write_unnamed(path, data):
            _write_aside(path, data)
    except RecordError:
        raise
    except FileExistsError as fault:
        raise _name_in_use(path) from fault
    except OSError as fault:
        raise unwritable(path, fault) from fault
    return path


def _write_unnamed(path: Path, data: bytes) -> bool:
    """By a file without a name until it is whole; False where the file system knows none."""
    flag = getattr(os, "O_TMPFILE", 0)
    try:
        handle = os.open(path.parent, os.O_WRONLY | flag, 0o644) if flag else -1
    except OSError as fault:
        if fault.errno in (errno.EOPNOTSUPP, errno.EISDIR, errno.EINVAL):
            return False
        raise
    if handle < 0:
        return False
    try:
        rest = memoryview(data)
        while rest:
            rest = rest[os.write(handle, rest) :]
        os.fsync(handle)
        return _name(handle, path)
    finally:
        os.close(handle)


def _name(handle: int, path: Path) -> bool:
    """Give an unnamed file its name; False where the system can't."""
    folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
    try:  # with a folder's handle Python asks linkat(2), which alone follows the link in /proc
        os.link(f"/proc/self/fd/{handle}", path.name, dst_dir_fd=folder, follow_symlinks=True)
        os.fsync(folder)
    except OSError as fault:
        if fault.errno in (errno.ENOENT, errno.EXDEV):
            return False
        raise
    finally:
        os.close(folder)
    return True


def _write_aside(path: Path, data: bytes) -> None:
    clear_asides(path.parent)
    aside = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with aside.open("wb") as handle:
            handle.write(data)
            handle.flush()
            os.fsync(handle.fileno())
        take_name(aside, path)
    finally:
        with suppress(OSError):
            aside.unlink()


def clear_asides(folder: Path) -> None:
    """Remove what writers that were killed have left in a folder; those of living ones stay."""
    for aside in folder.glob(".*.part"):
        writer = aside.name.split(".")[-2]
        if writer.isdigit() and not _alive(int(writer)):
            aside.unlink(missing_ok=True)


def _alive(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


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


def to_json(data: Mapping[str, Any], *, indent: int | None = 1, where: str = "a record") -> bytes:
    """JSON in UTF-8, on one line without spaces when indent is None.

    Raises RecordError for what JSON can't carry (NaN, infinity, foreign objects).
    """
    separators = None if indent else (",", ":")
    try:
        text = json.dumps(data, ensure_ascii=False, allow_nan=False, indent=indent, separators=separators) + "\n"
        return text.encode()
    except (ValueError, TypeError) as fault:
        raise RecordError(
            f"{where}: holds what JSON can't carry ({fault}).", next_action="Store null where there is no number."
        ) from fault


def parse_json(data: bytes, where: str) -> dict[str, Any]:
    """A JSON object from UTF-8. Raises RecordError naming `where`.

    Refused: a key that stands twice in one object (two readers would see two values), NaN and infinity, nesting or
    numbers beyond what Python reads.
    """
    try:
        parsed = json.loads(data.decode(), object_pairs_hook=_single_keys, parse_constant=_no_constant)
    except (ValueError, RecursionError) as fault:
        raise RecordError(f"{where}: is damaged, not JSON ({fault}).", next_action=RESTORE_RUN) from fault
    if not isinstance(parsed, dict):
        raise RecordError(f"{where}: holds no JSON object.", next_action=RESTORE_RUN)
    return parsed


def read_json(path: Path) -> dict[str, Any]:
    """A JSON object from a file. Raises RecordError that names the file (missing, cut, damaged)."""
    return parse_json(read_file(path), str(path))


def read_json_quickly(path: Path) -> dict[str, Any]:
    """The same several times faster, for an index over thousands of files; of a key that stands twice the last counts.

    What is evaluated, verified or reported is read by `read_json`.
    """
    from pydantic_core import from_json

    try:
        parsed = from_json(read_file(path), allow_inf_nan=False)
    except ValueError as fault:
        raise RecordError(f"{path}: is damaged, not JSON ({fault}).", next_action=RESTORE_RUN) from fault
    if not isinstance(parsed, dict):
        raise RecordError(f"{path}: holds no JSON object.", next_action=RESTORE_RUN)
    return parsed


def read_file(path: Path, limit_bytes: int = LIMIT_BYTES) -> bytes:
    """A whole file. Raises RecordError for one that can't be read, is no regular file or is larger than the limit."""
    with _reading(path):
        status = path.stat()
        if not stat.S_ISREG(status.st_mode):
            raise RecordError(f"{path}: is no regular file.", next_action=AS_WRITTEN)
        with path.open("rb") as handle:  # a file that says it is small may go on for ever (/proc)
            data = handle.read(limit_bytes + 1)
        if len(data) > limit_bytes:
            raise RecordError(f"{path}: is larger than {limit_bytes / (1 << 20):g} MiB.", next_action=AS_WRITTEN)
        return data


def sha256_of(path: Path) -> str:
    """Hex sha256 of a file's bytes."""
    with _reading(path), path.open("rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()


@contextmanager
def _reading(path: Path) -> Iterator[None]:
    try:
        yield
    except RecordError:
        raise
    except (OSError, ValueError) as fault:  # a path with a NUL is a ValueError
        reason = getattr(fault, "strerror", None) or fault
        raise RecordError(
            f"{path}: can't be read ({reason}).", next_action="Check that the run folder is whole."
        ) from fault


def _single_keys(pairs: Sequence[tuple[str, Any]]) -> dict[str, Any]:
    made = dict(pairs)
    if len(made) < len(pairs):
        keys = [key for key, _ in pairs]
        raise ValueError(f"the key {next(key for key in keys if keys.count(key) > 1)!r} stands twice")
    return made


def _no_constant(text: str) -> None:
    raise ValueError(f"{text} is no JSON number")
