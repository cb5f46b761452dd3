"""One line of a register of reports: what it holds, how it is read, and how a number stands among such lines."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from rig.errors import RecordError
from rig.records.files import parse_json
from rig.records.schema import load

SCHEMA = "anglewright register 2"
SCHEMA_BEFORE_HEADS = "anglewright register 1"
"""Of lines that were written before tree heads were put down."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RegisterEntry:
    """One line. event: "issued", "amended" or "withdrawn". faces: file name -> sha256. hash: of the JSON face's parts.

    record: sha256 of run.json. changed: what an amendment says differently. sealed: with code and hash, not simulated.
    """

    event: str
    number: str
    run: str
    issue: int
    at_utc: str
    replaces: str = ""
    reason: str = ""
    changed: tuple[str, ...] = ()
    corrections: Mapping[str, str] = field(default_factory=dict)
    part: str = ""
    serial: str = ""
    outcome: str = ""
    simulated: bool = False
    sealed: bool = False
    signed: bool = False
    hash: str = ""
    record: str = ""
    faces: Mapping[str, str] = field(default_factory=dict)
    n: int = 0
    previous: str = ""
    chain: str = ""
    schema: str = SCHEMA


def load_line(line: bytes) -> tuple[dict[str, Any], RegisterEntry]:
    """A line's data as it stands, and as an entry. Raises RecordError for a damaged one."""
    data = parse_json(line, "the register")
    entry = load(RegisterEntry, data, "the register")
    if entry.schema not in (SCHEMA, SCHEMA_BEFORE_HEADS):
        raise RecordError(f"the register: schema {entry.schema!r} is not known.", next_action="Use a newer version.")
    return data, entry


def state_in(entries: Sequence[RegisterEntry], number: str) -> str:
    """'in force', 'replaced by ...: reason', 'withdrawn on ...: reason' or 'not in the register'."""
    for entry in reversed(entries):
        if entry.event == "withdrawn" and entry.number == number:
            return f"withdrawn on {entry.at_utc[:10]}: {entry.reason}"
        if entry.replaces == number:
            return f"replaced by {entry.number}: {entry.reason}"
    return "in force" if any(entry.number == number for entry in entries) else "not in the register"
