"""What a night came to: its parts, why it ended, who armed it, and the exit status that says so."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from rig.errors import PROGRAM_FAULT, BenchError, RigError, SafetyStop
from rig.jobs.night.queue import CUT_SHORT, SCHEMA, QueueEntry
from rig.records.run.stored import StoredRun
from rig.records.store import Store

INCOMPLETE = 5  # exit status of a part that the night's end cut short
GRAVEST_FIRST = (PROGRAM_FAULT, 4, 5, 2, 3, 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What a night came to: its parts in order, those that were not run last, and why it ended."""

    entries: tuple[QueueEntry, ...]
    ended: str
    armed_by: str
    night: str = ""

    @property
    def exit_status(self) -> int:
        """0 when every part is within limits or measured; else that of the gravest: 6, 4, 5, 2, 3, 1."""
        found = {one.exit_status for one in self.entries}
        return next((status for status in GRAVEST_FIRST if status in found), 0)

    def document(self) -> dict[str, Any]:
        """The --json document."""
        return {
            "schema": SCHEMA,
            "ended": self.ended,
            "armed_by": self.armed_by,
            "night": self.night,
            "parts": [*map(row, self.entries)],
        }


def row(entry: QueueEntry) -> dict[str, Any]:
    """An entry as it is listed."""
    asked = {name: entry.request.get(name, "") for name in ("sequence", "part", "serial", "bench")}
    told = {name: getattr(entry, name) for name in ("state", "outcome", "run", "reason")}
    return {"n": entry.n, **asked, **told}


def entry_as_kept(home: Path, entry: QueueEntry, run: str) -> QueueEntry:
    """A look whose run was closed, and whose end could not be written any more."""
    judged = StoredRun(Store(home).folder / run).judgement
    outcome, status = (judged.outcome, judged.exit_status) if judged is not None else (CUT_SHORT, INCOMPLETE)
    return replace(entry, state="done", outcome=outcome, run=run, exit_status=status)


def name_of_fault(fault: RigError) -> str:
    """Outcome of a look that a fault ended."""
    if isinstance(fault, BenchError):
        return "bench fault"
    if isinstance(fault, SafetyStop):
        return "stopped"
    return "refused"
