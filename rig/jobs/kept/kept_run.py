"""A kept run with its newest judgement and its files, as it is handed on and printed."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

from rig.errors import RecordError
from rig.records.run.stored import StoredRun
from rig.records.schema import dump
from rig.records.store import Store
from rig.result import Judgement
from rig.review.outcome.open_lines import OpenLine, open_lines
from rig.review.units.drying import LeakTrend

SCHEMA = "anglewright result 1"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finished:
    """A kept run with its judgement and files (kind -> path)."""

    stored: StoredRun
    judgement: Judgement
    files: Mapping[str, str]

    def document(self) -> dict[str, Any]:
        """The --json document of decisions: numbers unrounded, null never NaN."""
        header = self.stored.header
        leaks = self.leaks()
        return {
            "schema": SCHEMA,
            "simulated": header.simulated,
            "run": self.stored.id,
            "part": header.part.get("number", ""),
            "serial": header.serial,
            "sequence": header.sequence,
            "outcome": self.judgement.outcome,
            "reasons": [reason.to_dict() for reason in self.judgement.reasons],
            "results": [line.to_dict() for line in self.judgement.judged],
            "findings": [finding.to_dict() for finding in self.judgement.findings],
            "notes": list(self.judgement.notes),
            "awaits_witness": [one.to_dict() for one in self.judgement.awaits],
            "open": [one.to_dict() for one in self.open_lines()],
            "files": dict(self.files),
            "remarks": [dump(remark) for remark in self.stored.remarks],
            "leak_trend": leaks.to_dict() if leaks is not None else None,
        }

    def open_lines(self) -> list[OpenLine]:
        """Which lines are open, why, and the next command; none of a run within its limits."""
        return open_lines(self.judgement, self.stored.header, self.stored.id)

    def leaks(self) -> LeakTrend | None:
        """How this unit's leaks went over its runs; None where none was low, or nothing can be read."""
        from rig.review.units.leak_history import leaks_until

        with suppress(RecordError):  # an index that is out of reach must not hide the run itself
            return leaks_until(self.stored)
        return None


def kept_run(run_id: str) -> Finished:
    """A kept run with its newest judgement; one that was cut short has an empty one."""
    stored = Store().find(run_id)
    judgement = stored.judgement or Judgement(
        outcome="incomplete", judged=(), reasons=(), findings=(), notes=("The run was cut short; nothing was judged.",)
    )
    return Finished(stored=stored, judgement=judgement, files=files_of(stored))


def files_of(stored: StoredRun) -> dict[str, str]:
    """kind -> path of what lies in a run's folder; certificates are the newest of their kind."""
    names = {"journal": "journal.jsonl", "raw": "raw.h5", "record": "run.json"}
    files = {kind: stored.path / name for kind, name in names.items()}
    for kind, pattern in (
        ("certificate", "certificate*.pdf"),
        ("data", "certificate*.json"),
        ("xml", "certificate*.xml"),
        ("table", "certificate*.csv"),
    ):
        if made := sorted(stored.path.glob(pattern), key=lambda p: (len(p.name), p.name)):
            files[kind] = made[-1]
    return {kind: str(path) for kind, path in files.items() if path.exists()}
