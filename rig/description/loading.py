"""TOML description files to checked objects; every fault told by file, line and key.

Parts, holders, benches and the worlds of the simulated bench load through `checked`, each with its own model. It
knows no instrument and judges nothing. Finding a file: a path, then ./, then the home, then the packaged ones
(`find`). Stands on tomllib and pydantic 2 (extra keys forbidden, all faults in one pass).
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from rig.errors import DescriptionError, UsageError

LIMIT_BYTES = 4 << 20
ModelT = TypeVar("ModelT", bound=BaseModel)


class Strict(BaseModel):
    """Base of every description: unknown keys are refused, nothing changes after loading."""

    model_config = ConfigDict(extra="forbid", frozen=True)


def read_toml(path: Path) -> tuple[dict[str, Any], str]:
    """The parsed file and its text. Raises DescriptionError with the line of a syntax fault."""
    text = read_text(path)
    try:
        return tomllib.loads(text), text
    except (ValueError, RecursionError) as fault:  # nested beyond what is read, a number of thousands of digits
        raise DescriptionError(f"{path}: not valid TOML: {fault}.", next_action="Mend that line.") from fault


def read_text(path: Path) -> str:
    """A description file's text. Raises UsageError for one that can't be read, is no file, or is too large for one."""
    try:
        if path.exists() and not path.is_file():
            raise UsageError(f"{path}: is no file.", next_action="Give a description file.")
        with path.open("rb") as handle:
            data = handle.read(LIMIT_BYTES + 1)
        if len(data) > LIMIT_BYTES:
            raise UsageError(f"{path}: is larger than {LIMIT_BYTES >> 20} MiB.", next_action="Give a description file.")
        return data.decode("utf-8").replace("\r\n", "\n")
    except (OSError, ValueError) as fault:  # ValueError: bytes that are no UTF-8, a path with a NUL
        if isinstance(fault, UsageError):
            raise
        raise UsageError(
            f"{path}: can't be read ({fault}).", next_action="Check the path and its permissions."
        ) from fault


def load_checked(model: type[ModelT], path: Path) -> ModelT:
    """A TOML file as a checked object; all its faults in one DescriptionError."""
    data, text = read_toml(path)
    try:
        return model.model_validate(data)
    except ValidationError as fault:
        lines = tuple(_fault_sentence(path, text, model, item) for item in fault.errors())
        raise DescriptionError("\n".join(lines), faults=lines) from fault


def from_data(model: type[ModelT], data: Mapping[str, Any], where: str) -> ModelT:
    """An object from data that was checked before (a record's snapshot)."""
    try:
        return model.model_validate(dict(data))
    except ValidationError as fault:
        raise DescriptionError(f"{where}: {fault.errors()[0]['msg']} at {fault.errors()[0]['loc']}") from fault


def _fault_sentence(path: Path, text: str, model: type[BaseModel], item: Any) -> str:
    keys = [part for part in item["loc"] if isinstance(part, str | int)]
    line = line_of(text, keys)
    dotted = ".".join(str(key) for key in keys)
    told = f"{path}:{line}: {dotted}: {item['msg']}"
    if item["type"] == "extra_forbidden":
        near = difflib.get_close_matches(str(keys[-1]), _known_keys(model, keys[:-1]), n=1, cutoff=0.0)
        told = f"{path}:{line}: {dotted}: unknown key" + (f"; the nearest known key is {near[0]!r}" if near else "")
    elif item["type"] == "missing":
        told = f"{path}:{line}: {dotted}: is missing"
    elif "input" in item and not isinstance(item["input"], dict | list):
        told += f" (found {item['input']!r})"
    return told


def _known_keys(model: type[BaseModel], keys: list[str | int]) -> list[str]:
    here: Any = model
    for key in keys:
        if isinstance(key, int):
            continue
        field = here.model_fields.get(key) if isinstance(here, type) and issubclass(here, BaseModel) else None
        here = next(_models_in(field.annotation), None) if field else None
        if here is None:
            return []
    return list(here.model_fields)


def _models_in(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for inner in getattr(annotation, "__args__", ()):
        yield from _models_in(inner)


def line_of(text: str, keys: list[str | int]) -> int:
    """The line (from 1) on which a key of a TOML text stands; the nearest table's line when the key is absent."""
    names = [str(key) for key in keys if isinstance(key, str)]
    counts = {
        name: keys[i + 1] for i, name in enumerate(keys[:-1]) if isinstance(keys[i + 1], int) and isinstance(name, str)
    }
    table: list[str] = []
    seen: dict[str, int] = {}
    best, depth, in_right_item = 1, 0, True
    for number, line in enumerate(text.splitlines(), start=1):
        if header := re.match(r"\s*\[(\[?)\s*([^\]]+?)\s*\]", line):
            table = [part.strip().strip("\"'") for part in header.group(2).split(".")]
            name = ".".join(table)
            if header.group(1):
                seen[name] = seen.get(name, -1) + 1
                wanted = counts.get(table[-1])
                in_right_item = wanted is None or not isinstance(wanted, int) or seen[name] == wanted
            else:
                in_right_item = True
            if in_right_item and table == names[: len(table)] and len(table) >= depth:
                best, depth = number, len(table)
        elif in_right_item and (entry := re.match(r"\s*([A-Za-z0-9_\-\"'.]+)\s*=", line)):
            path = table + [part.strip("\"' ") for part in entry.group(1).split(".")]
            if path == names[: len(path)] and len(path) > depth:
                best, depth = number, len(path)
    return best
