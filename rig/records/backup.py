"""A whole home in one file, and back: every file of it but locks, the index (it is rebuilt) and private keys.

    home.zip    the home's files under their own names   home.json (last: schema, SHA-256 of every file)

`restore` fills an empty folder, checks every hash and reports what is there: tried into a temporary folder it is the
drill that proves a backup. Nothing is ever restored over something.
"""

from __future__ import annotations

import os
import re
import shutil
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path

from rig.errors import RecordError, UsageError
from rig.records.exchange.leaving import file_aside
from rig.records.exchange.manifest import copy_hashed
from rig.records.files import LIMIT_BYTES, parse_json, sha256_of, to_json, unwritable
from rig.records.schema import dump, load

SCHEMA = "anglewright home 1"
LIST = "home.json"
LEFT_OUT = re.compile(
    r".*\.lock|anglewright\.sqlite.*|.*\.damaged.*|.*\.part|import/.*|issuing/.*|\.stale/.*|live/.*|.*\.key\.pem"
)
MOST_BYTES = 1 << 40
BROKEN = (zipfile.BadZipFile, zlib.error, NotImplementedError, RuntimeError, EOFError, ValueError, KeyError)


@dataclass(frozen=True, slots=True, kw_only=True)
class HomeList:
    """What a backup says of itself. files: name -> SHA-256 (hex)."""

    files: dict[str, str]
    software: str = ""
    made_utc: str = ""
    schema: str = SCHEMA


def back_up(home: Path, path: Path) -> int:
    """Write a home into a new file; how many files went in. Raises UsageError for an empty home, RecordError (disk)."""
    names = sorted(_files(home, path))
    if not names:
        raise UsageError(f"{home}: holds nothing to back up.", next_action="Check ANGLEWRIGHT_HOME.")
    hashes: dict[str, str] = {}
    with file_aside(path) as aside, zipfile.ZipFile(aside, "w", zipfile.ZIP_DEFLATED) as archive:
        for name in names:
            with (home / name).open("rb") as source, archive.open(name, "w", force_zip64=True) as target:
                hashes[name] = copy_hashed(source, target)
        now = datetime.now(UTC).isoformat(timespec="seconds")
        stated = HomeList(files=hashes, software=f"anglewright {version('anglewright')}", made_utc=now)
        archive.writestr(LIST, to_json(dump(stated)))
    return len(names)


def is_backup(path: Path) -> bool:
    """Whether a file is a home's backup (and not a job); False for anything that can't be read."""
    try:
        with zipfile.ZipFile(path) as archive:
            return LIST in archive.namelist()
    except (OSError, *BROKEN):
        return False


def restore(path: Path, home: Path) -> HomeList:
    """Fill an empty folder from a backup, every file checked; what the backup says of itself.

    Raises RecordError for a folder that holds something, or naming the file inside that is altered, missing or has no
    place in a home; nothing of it stays then.
    """
    if home.exists() and any(home.iterdir()):
        raise RecordError(f"{home}: is not empty, nothing is restored over it.", next_action="Give an empty home.")
    try:
        with zipfile.ZipFile(path) as archive:
            stated = _read_list(path, archive)
            for name, wanted in stated.files.items():
                target = home / name
                target.parent.mkdir(parents=True, exist_ok=True)
                with archive.open(name) as source, target.open("xb") as out:
                    found = copy_hashed(source, out)
                    out.flush()
                    os.fsync(out.fileno())
                if found != wanted:
                    raise _alteration(path, f"{name} is not what was backed up")
            return stated
    except RecordError:
        shutil.rmtree(home, ignore_errors=True)
        raise
    except BROKEN as fault:
        shutil.rmtree(home, ignore_errors=True)
        raise _alteration(path, f"it is damaged ({fault})") from fault
    except OSError as fault:
        raise unwritable(home, fault) from fault


def differing_files(home: Path, stated: HomeList) -> list[str]:
    """Files of a restored home that are not those of the backup; [] when it is whole."""
    return [
        name for name, wanted in stated.files.items() if not (home / name).exists() or sha256_of(home / name) != wanted
    ]


def _files(home: Path, path: Path) -> Iterator[str]:
    for folder, _, names in os.walk(home):
        for name in names:
            file = Path(folder) / name
            inside = str(file.relative_to(home))
            if file.is_file() and not LEFT_OUT.fullmatch(inside) and file.resolve() != path.resolve():
                yield inside


def _read_list(path: Path, archive: zipfile.ZipFile) -> HomeList:
    infos = {info.filename: info for info in archive.infolist()}
    size = sum(info.file_size for info in infos.values())
    if LIST not in infos or infos[LIST].file_size > LIMIT_BYTES or size > MOST_BYTES:
        raise _alteration(path, f"its {LIST} is missing or too large")
    stated = load(HomeList, parse_json(archive.read(LIST), f"{path}: {LIST}"), f"{path}: {LIST}", SCHEMA)
    inside = sorted(name for name in archive.namelist() if name != LIST)
    if inside != sorted(stated.files):
        odd = sorted(set(inside) ^ set(stated.files)) or inside
        raise _alteration(path, f"{odd[0]} is missing, doubled or not listed")
    for name in stated.files:
        parts = name.split("/")
        if name.startswith("/") or "\\" in name or any(part in ("", ".", "..") for part in parts):
            raise _alteration(path, f"{name!r} has no place in a home")
    return stated


def _alteration(path: Path, what: str) -> RecordError:
    return RecordError(f"{path}: {what}.", next_action="Use another backup; nothing of this one stays.")
