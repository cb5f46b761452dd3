"""A run as it stands in its folder, closed or not: header, readings, events, captures, evaluations, hashes.

It reads and never writes; a run without run.json was cut short and counts as incomplete. Files are read when they are
asked for. It knows no index and no other run.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from rig.errors import RecordError
from rig.quantity import Reading
from rig.records.files import read_json, sha256_of
from rig.records.run.journal import Journalled, read_journal
from rig.records.run.raw import RawReader
from rig.records.run.record import RunHeader, RunRecord, judgement_from_dict
from rig.records.run.repeats import superseded_lines
from rig.result import Judgement

JOURNAL, RAW, RECORD = "journal.jsonl", "raw.h5", "run.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class Evaluation:
    """One evaluation of a run. file: where it stands. part_digest: "" when judged by the run's own part file.

    campaign: the name under which an archive was judged again, or "".
    """

    file: str
    judgement: Judgement
    made_utc: str = ""
    software: str = ""
    campaign: str = ""
    part_digest: str = ""

    @property
    def outcome(self) -> str:
        """The judgement's outcome."""
        return self.judgement.outcome


class StoredRun:
    """A run as it stands in its folder, closed or not. Files are read when they are asked for.

    record: the closed record, None for a run that was cut short. captures: a `Captures` (raw.h5 or an orphaned .part).
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.captures = RawReader(path / RAW)

    @property
    def id(self) -> str:
        """The run's id."""
        return self.path.name

    @cached_property
    def record(self) -> RunRecord | None:
        """run.json, or None. Raises RecordError when it is damaged."""
        file = self.path / RECORD
        return RunRecord.from_dict(read_json(file), str(file)) if file.exists() else None

    @cached_property
    def journal(self) -> Journalled:
        """The journal's whole lines; `.cut` tells of a last line that a crash cut short."""
        return read_journal(self.path / JOURNAL)

    @cached_property
    def header(self) -> RunHeader:
        """The header: from the closed record, else from the journal's first line."""
        if self.record is not None:
            return self.record.header
        first = self.journal.of("header")[:1]
        if not first:
            raise RecordError(
                f"{self.path / JOURNAL}: has no header line.", next_action="The run was cut short before it began."
            )
        return RunHeader.from_dict(first[0], f"{self.path / JOURNAL}:1")

    @cached_property
    def readings(self) -> tuple[Reading, ...]:
        """Every acknowledged reading that counts, in order; not those of a failed attempt at a repeated step."""
        return self._read(superseded=False)

    @cached_property
    def superseded(self) -> tuple[Reading, ...]:
        """Readings of failed attempts at steps that were repeated, in order."""
        return self._read(superseded=True)

    def _read(self, *, superseded: bool) -> tuple[Reading, ...]:
        entries = self.journal.entries
        gone = superseded_lines(entries, str(self.path / JOURNAL))
        wanted = (e.data for e in entries if e.kind == "reading" and (e.n in gone) is superseded)
        try:
            return tuple(Reading.from_dict(data) for data in wanted)
        except (KeyError, TypeError, ValueError) as fault:
            raise RecordError(
                f"{self.path / JOURNAL}: a reading is incomplete ({fault!r}).", next_action="Restore it from a copy."
            ) from fault

    @property
    def events(self) -> tuple[Mapping[str, Any], ...]:
        """Everything in the journal that is neither header nor reading: {"kind": ..., **data}."""
        entries = self.journal.entries
        return tuple({"kind": e.kind, **e.data} for e in entries if e.kind not in ("header", "reading"))

    @property
    def judgement(self) -> Judgement | None:
        """The newest judgement, or None."""
        made = self.evaluations()
        return made[-1].judgement if made else None

    def judgements(self) -> list[Judgement]:
        """All judgements, the run's own first, later ones as they were put beside it."""
        return [evaluation.judgement for evaluation in self.evaluations()]

    def evaluations(self) -> list[Evaluation]:
        """All evaluations with who made them, when and against which part file; the run's own first."""
        own = []
        if (record := self.record) is not None and record.judgement:
            made = {"made_utc": record.ended_utc, "software": record.header.software}
            own = [_evaluation(RECORD, {"made": made, **record.judgement}, str(self.path / RECORD))]
        later = sorted(self.path.glob("judgement-*.json"), key=lambda f: (len(f.name), f.name))
        return own + [_evaluation(file.name, read_json(file), str(file)) for file in later]

    @property
    def outcome(self) -> str:
        """Outcome of the newest judgement; "incomplete" for a run that was cut short."""
        if self.record is None:
            return "incomplete"
        made = self.evaluations()
        return made[-1].outcome if made else self.record.outcome

    @property
    def hashes(self) -> Mapping[str, str]:
        """File name -> sha256 as closed; of a run that was cut short, as the files stand now."""
        if self.record is not None:
            return self.record.hashes
        files = [self.path / JOURNAL, self.captures.path]
        return {file.name: sha256_of(file) for file in files if file.exists()}

    def altered(self) -> list[str]:
        """Names of the files that are missing or no longer what they were when the run was closed."""
        closed = self.record.hashes if self.record else {}
        return [n for n, h in closed.items() if not (self.path / n).exists() or sha256_of(self.path / n) != h]


def _evaluation(file: str, data: Mapping[str, Any], where: str) -> Evaluation:
    made = data.get("made") or {}
    known = {key: str(made.get(key) or "") for key in ("made_utc", "software", "campaign", "part_digest")}
    return Evaluation(file=file, judgement=judgement_from_dict(data, where), **known)
