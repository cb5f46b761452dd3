"""Records as JSON-ready data and back: any dataclass of the house, checked field by field when it is read.

    dump(header) -> dict        load(RunHeader, data, "run.json", RUN_SCHEMA) -> RunHeader

Keys of later versions are left out. It knows no record and no file. Stands on pydantic 2, which reads standard
dataclasses as they are; it is imported when the first record is read.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping, Sequence
from enum import Enum
from functools import cache
from typing import Any, TypeVar, cast

from rig.errors import RecordError, UsageError
from rig.result import finite

T = TypeVar("T")
RESTORE = "Restore it from a copy."
REFUSED = ("Cc", "Cs", "Zl", "Zp")  # general categories: control, surrogate, line and paragraph separator
DIRECTIONS = ("LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI")  # these reorder what is printed


def dump(record: object) -> dict[str, Any]:
    """A dataclass as JSON-ready data: tuples and arrays as lists, infinity and NaN as null."""
    cls: Any = type(record)
    data: dict[str, Any] = plain(_adapter(cls).dump_python(record))
    return data


def load(cls: type[T], data: Any, where: str, schema: str = "", *, next_action: str = RESTORE) -> T:
    """Data as a dataclass. Raises RecordError that names `where` and the key; `schema`: the name that must stand in."""
    from pydantic import ValidationError

    if schema and (not isinstance(data, Mapping) or data.get("schema") != schema):
        found = data.get("schema") if isinstance(data, Mapping) else None
        raise RecordError(
            f"{where}: schema {found!r} found, {schema!r} expected.",
            next_action="Read it with the version of the program that wrote it.",
        )
    try:
        adapter = _adapter(cast(Any, cls))
        made: T = adapter.validate_python(data)
    except ValidationError as fault:
        first = fault.errors(include_url=False, include_context=False)[0]
        key = ".".join(str(part) for part in first["loc"]) or "record"
        raise RecordError(
            f"{where}: incomplete or damaged at {key}: {first['msg']}.", next_action=next_action
        ) from fault
    return made


def plain(value: Any) -> Any:
    """Arrays, tuples, enumerations and numpy numbers as what JSON carries; infinities and NaN become None."""
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if hasattr(value, "tolist"):
        value = value.tolist()
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, complex):
        return [plain(value.real), plain(value.imag)]
    if isinstance(value, Enum):
        return value.value
    return finite(value) if isinstance(value, float) else value


def check_texts(data: Any, where: str = "") -> None:
    """Raises UsageError, with the character named, for a control, separator, direction or surrogate character.

    Such a character can cut a line in two, hide what stands beside it, or can't be written as UTF-8 at all.
    """
    if isinstance(data, Mapping):
        for key, value in data.items():
            check_texts(key, where)
            check_texts(value, f"{where}.{key}" if where else str(key))
    elif isinstance(data, str):
        for character in data:
            if unicodedata.category(character) in REFUSED or unicodedata.bidirectional(character) in DIRECTIONS:
                name = unicodedata.name(character, "control character")
                raise UsageError(
                    f"{where or 'the text'}: holds U+{ord(character):04X} ({name.lower()}).",
                    next_action="Take that character out.",
                )
    elif isinstance(data, Sequence):
        for value in data:
            check_texts(value, where)


@cache
def _adapter(cls: Any) -> Any:
    from pydantic import TypeAdapter

    return TypeAdapter(cls)
