"""Which column of a table from elsewhere is which: by its name, by its unit, or by what a person answered.

A header cell is a name, with or without its unit: `exc_v`, `exc (mV)`, `Time [ms]`; a line of units alone may follow
the header. It must never guess between columns: a name that is not known is asked about.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from rig.errors import UsageError

UNITS: Mapping[str, float] = {
    "s": 1.0,
    "ms": 1e-3,
    "us": 1e-6,
    "µs": 1e-6,
    "μs": 1e-6,
    "ns": 1e-9,
    "v": 1.0,
    "mv": 1e-3,
    "uv": 1e-6,
    "µv": 1e-6,
    "μv": 1e-6,
    "deg": 1.0,
    "°": 1.0,
    "rad": 180.0 / math.pi,
}
"""Unit as a file writes it -> factor to seconds, volts or degrees."""
NAMES: Mapping[str, tuple[str, ...]] = {
    "t": ("t", "time", "seconds", "t_s", "time_s"),
    "exc": ("exc", "excitation", "exc_v", "reference", "ref"),
    "sin": ("sin", "sine", "sin_v"),
    "cos": ("cos", "cosine", "cos_v"),
    "position": ("stepper_deg", "position", "positions", "position_deg", "angle", "angle_deg", "stepper"),
    **{f"{role}_{part}": (f"{role}_{part}",) for role in ("exc", "sin", "cos") for part in ("re", "im")},
}
"""Role -> names under which it is known without being asked."""
WORDS: Mapping[str, str] = {
    "t": "the time",
    "exc": "the excitation",
    "sin": "the sine output",
    "cos": "the cosine output",
    "position": "the commanded position",
}
"""Role -> what a person is asked for."""


@dataclass(frozen=True, slots=True)
class Column:
    """A header cell: as it stands in the file, its bare name in small letters, and the factor of its unit."""

    cell: str
    name: str
    factor: float


def column_of(cell: str, unit: str = "") -> Column:
    """A header cell taken apart; unit: from a line of units below it."""
    text = cell.strip().strip('"').strip()
    found = re.fullmatch(r"(.*?)\s*[\(\[]\s*(\S+?)\s*[\)\]]", text)
    name, own = (found.group(1), found.group(2)) if found else (text, unit.strip())
    name = name.strip().lower()
    stem, _, tail = name.rpartition("_")
    if not own and stem and tail in UNITS and tail not in ("s", "v", "deg"):
        name, own = stem, tail
    return Column(text, name, UNITS.get(own.lower(), 1.0))


def is_unit_line(cells: Sequence[str]) -> bool:
    """Whether a line below the header holds units and nothing else."""
    bare = [cell.strip().strip('"').strip("()[] ").lower() for cell in cells]
    return any(bare) and all(cell == "" or cell in UNITS for cell in bare)


def units_of(cells: Sequence[str]) -> list[str]:
    """The units of a line of units."""
    return [cell.strip().strip('"').strip("()[] ") for cell in cells]


def answers_of(text: str) -> dict[str, str]:
    """`exc=CH1,sin=CH2` as role -> name. Raises UsageError for a role that is not known."""
    found: dict[str, str] = {}
    for item in filter(None, (part.strip() for part in text.split(","))):
        role, sign, name = item.partition("=")
        if not sign or role.strip() not in NAMES:
            raise UsageError(
                f"--columns {item!r}: ROLE=NAME was expected, ROLE one of {', '.join(NAMES)}.",
                next_action="Give for example --columns t=Time,exc=CH1,sin=CH2.",
            )
        found[role.strip()] = name.strip()
    return found


def places_of(
    columns: Sequence[Column], wanted: Sequence[str], answers: Mapping[str, str]
) -> tuple[dict[str, int], list[str]]:
    """(role -> place in the line, roles without a column). answers: role -> name as a person gave it.

    Raises UsageError for an answer that names no column, and for two columns of one name.
    """
    places: dict[str, int] = {}
    for role in wanted:
        names = (answers[role].lower(),) if role in answers else NAMES[role]
        at = [i for i, column in enumerate(columns) if column.name in names or column.cell.lower() in names]
        if len(at) > 1 or (role in answers and not at):
            raise UsageError(
                f"{len(at)} columns are called {answers.get(role, role)!r}; "
                f"found {', '.join(c.cell for c in columns)}.",
                next_action=f"Name the column of {WORDS.get(role, role)} with --columns {role}=NAME.",
            )
        if at:
            places[role] = at[0]
    return places, [role for role in wanted if role not in places]
