"""Description files made by asking: written whole or not at all, never over another, read back by the strict reader.

It knows no instrument and asks nothing.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel

from rig.description.benches import BenchFile, load_bench
from rig.description.loading import load_checked, read_toml
from rig.description.places import find
from rig.errors import DescriptionError, RecordError, UsageError

ModelT = TypeVar("ModelT", bound=BaseModel)


def toml_text(data: Mapping[str, Any], head: str = "") -> str:
    """A TOML text of plain values and, after them, of tables; empty strings and None are left out."""
    lines = [f"# {line}" for line in head.splitlines()]
    lines += _entries({key: value for key, value in data.items() if not isinstance(value, Mapping)})
    for name, table in data.items():
        if isinstance(table, Mapping):
            lines += ["", f"[{name}]", *_entries(table)]
    return "\n".join(lines) + "\n"


def _entries(table: Mapping[str, Any]) -> list[str]:
    return [f"{_key(key)} = {_value(value)}" for key, value in table.items() if value is not None and value != ""]


def _key(key: str) -> str:
    return key if key.replace("_", "").replace("-", "").isalnum() and key.isascii() else json.dumps(key)


def _value(value: Any) -> str:
    """A value; a table within a table stands in its line."""
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{_key(key)} = {_value(inner)}" for key, inner in value.items()) + " }"
    if isinstance(value, list | tuple):
        return f"[{', '.join(_value(one) for one in value)}]"
    return json.dumps(value, ensure_ascii=False)


def write_new(model: type[ModelT], path: Path, text: str) -> ModelT:
    """Write a new file and read it back. Nothing is left behind by a text that the strict reader refuses.

    Raises UsageError when the file is there already, DescriptionError for a fault of the text, RecordError (disk).
    """
    if path.exists():
        raise _there(path)
    beside = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with beside.open("w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        made = load_checked(model, beside)
        os.link(beside, path)
        return made
    except FileExistsError as fault:
        raise _there(path) from fault
    except DescriptionError as fault:
        told = str(fault).replace(str(beside), path.name)
        raise DescriptionError(f"{told}\nNothing was written.", faults=fault.faults) from fault
    except OSError as fault:
        raise RecordError(
            f"{path}: can't be written ({fault}).", next_action="Check the disk and the folder."
        ) from fault
    finally:
        beside.unlink(missing_ok=True)


def _there(path: Path) -> UsageError:
    return UsageError(f"{path} is there already.", next_action="Choose another name, or move that file away first.")


def bench_of(name: str, world: str | None = None) -> BenchFile:
    """A bench file by its name; a world file in place of a bench file means the simulated bench.

    world: instead of the bench file's own. Raises UsageError for a world on a real bench.
    """
    try:
        path = find("bench", name)
    except UsageError:
        world, path = str(find("world", name)), find("bench", "simulated")
    if "schema" not in read_toml(path)[0]:
        world, path = str(path), find("bench", "simulated")
    bench = load_bench(str(path))
    if world is None:
        return bench
    if not bench.is_simulated:
        raise UsageError(f"bench {bench.name} is a real one: it has no world.", next_action="Leave --world out.")
    return bench.model_copy(update={"world": str(find("world", world))})
