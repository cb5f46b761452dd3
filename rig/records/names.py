"""What names a customer, kept apart from what is hashed, so that it can be erased without breaking a record.

    <home>/names/<token>.json   {schema, made_utc, text, salt}

Headers, entries of the book and corrections hold `name:<token>` in place of the text; the token is the first 24 hex
digits of the SHA-256 over the salt and the text, so that nobody can put another name under it and nobody can guess the
name from it once its file, and the salt with it, are gone. What was erased is listed in entries of the book
(`erasure`). Records made before this module hold the text itself; it is returned as it stands.
"""

from __future__ import annotations

import hashlib
import re
import secrets
from collections.abc import Iterable, Mapping
from contextlib import suppress
from functools import lru_cache
from pathlib import Path
from typing import Any

from rig.errors import RecordError
from rig.records.files import parse_json, read_json, to_json, utc_now, write_new

SCHEMA = "anglewright name 1"
FOLDER = "names"
ERASURES = "*-erasure-*.json"
TOKEN = re.compile(r"name:([0-9a-f]{24})")
MISSING = "name not in this home"
_ERASED = re.compile(r"erased on (\d{4}-\d\d-\d\d)")


def refer(home: Path, text: str) -> str:
    """What a record holds in place of a name: "" for none; the same reference for the same name until it is erased."""
    if not text:
        return ""
    if found := tokens_of(home, text):
        return f"name:{found[0]}"
    salt = secrets.token_hex(16)
    token = _token(salt, text)
    now = utc_now()
    folder = home / FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    write_new(folder / f"{token}.json", to_json({"schema": SCHEMA, "made_utc": now, "text": text, "salt": salt}))
    return f"name:{token}"


def resolve(home: Path, text: str) -> str:
    """The name behind a reference, "erased on <day>" or that it is not here; any other text as it stands.

    Raises RecordError for a name that is not the one that the reference was made of.
    """
    reference = TOKEN.fullmatch(text)
    if reference is None:
        return text
    token = reference[1]
    if (day := erased_tokens(home).get(token)) is not None:
        return erased_text(day)
    file = home / FOLDER / f"{token}.json"
    return read_name(file) if file.exists() else MISSING


def read_name(file: Path) -> str:
    """The name in a file. Raises RecordError for a damaged file, or a text that its token does not stand for."""
    data = read_json(file)
    text, salt = data.get("text"), data.get("salt")
    fits = isinstance(text, str) and isinstance(salt, str) and _token(salt, text) == file.stem
    if data.get("schema") != SCHEMA or not fits:
        raise RecordError(
            f"{file}: does not hold the name that records refer to.", next_action="Restore it from a copy."
        )
    return str(text)


def refer_in(home: Path, data: Mapping[str, Any], fields: Iterable[str]) -> dict[str, Any]:
    """A record's data with references in these fields."""
    return {**data, **{name: refer(home, str(data[name])) for name in fields if data.get(name)}}


def resolve_in(home: Path, data: Mapping[str, Any], fields: Iterable[str]) -> dict[str, Any]:
    """A record's data with the names of these fields."""
    return {**data, **{name: resolve(home, str(data[name])) for name in fields if data.get(name)}}


def erased_text(day: str) -> str:
    """What stands in place of a name that was erased on a day (ISO 8601)."""
    return f"erased on {day}"


def erased_day(text: str) -> str:
    """The day (ISO 8601) of what stands in place of an erased name, "" for anything else."""
    found = _ERASED.fullmatch(text)
    return found[1] if found else ""


def erased_tokens(home: Path) -> Mapping[str, str]:
    """Token -> day on which it was erased; an entry that can't be read is left out (`job check` names it)."""
    try:
        return _erased_in(home / "book", (home / "book").stat().st_mtime_ns)
    except FileNotFoundError:
        return {}


@lru_cache(maxsize=8)
def _erased_in(book: Path, _changed_ns: int) -> Mapping[str, str]:
    """_changed_ns: the folder's time stamp, so that thousands of runs list it once and a new entry is seen."""
    found: dict[str, str] = {}
    for file in book.glob(ERASURES):
        with suppress(RecordError, KeyError, TypeError, AttributeError):
            data = parse_json(file.read_bytes(), str(file))["data"]
            found |= {str(token): str(data["at_utc"])[:10] for token in data["tokens"]}
    return found


def tokens_of(home: Path, text: str) -> list[str]:
    """Tokens under which a name is kept here, the oldest file first; a damaged file is passed over."""
    gone, found = erased_tokens(home), []
    for file in sorted((home / FOLDER).glob("*.json"), key=lambda f: f.stat().st_mtime_ns):
        with suppress(RecordError):
            if file.stem not in gone and read_name(file) == text:
                found.append(file.stem)
    return found


def _token(salt: str, text: str) -> str:
    return hashlib.sha256(f"{salt}\0{text}".encode()).hexdigest()[:24]
