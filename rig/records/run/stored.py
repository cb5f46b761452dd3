"""A run as it stands in its folder, closed or not: header, readings, events, captures, evaluations, hashes.

It reads and never writes; a run without run.json was cut short and counts as incomplete. Files are read when they are
first needed. It knows no index and no other run.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

from rig.errors import RecordError
from rig.quantity import Reading
from rig.records.files import read_json, sha256_of
from rig.records.names import refer, refer_in, resolve, resolve_in
from rig.records.run.journal import JournalLine, JournalLines, read_journal
from rig.records.run.raw import RawReader
from rig.records.run.record import RUN_SCHEMA, RunHeader, RunRecord, load_judgement, load_record
from rig.records.run.remarks import Remark, read_remarks
from rig.records.schema import RESTORE, load
from rig.result import Judgement

JOURNAL, RAW, RECORD = "journal.jsonl", "raw.h5", "run.json"
WITNESS = "witness.json"
WITNESS_SCHEMA = "anglewright witness entry 1"
NAMED_DETAILS = ("customer_contact",)  # details of a header that name a customer


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


class StoredRun:
    """A run as it stands in its folder, closed or not.

    read: how a JSON file is parsed. captures: a `Captures` (raw.h5, or the .part file of a run that was killed).
    """

    def __init__(self, path: Path, *, read: Callable[[Path], dict[str, Any]] = read_json) -> None:
        self.path = path
        self.read = read
        self.captures = RawReader(path / RAW)

    @property
    def id(self) -> str:
        """The run's id."""
        return self.path.name

    @cached_property
    def record(self) -> RunRecord | None:
        """run.json, None for a run that was cut short. Raises RecordError when it is damaged."""
        file = self.path / RECORD
        return load_record(self.read(file), str(file)) if file.exists() else None

    @cached_property
    def journal(self) -> JournalLines:
        """The journal's whole lines; `.cut` describes a last line that a crash cut short."""
        return read_journal(self.path / JOURNAL)

    @cached_property
    def header(self) -> RunHeader:
        """The header, with the names that it refers to: from the closed record, else from the journal's first line."""
        return named_header(self.path.parent.parent, self.header_as_kept)

    @property
    def header_as_kept(self) -> RunHeader:
        """The header with references in place of names, as it is hashed."""
        if self.record is not None:
            return self.record.header
        where = f"{self.path / JOURNAL}"
        first = self.journal.of("header")[:1]
        if not first:
            raise RecordError(f"{where}: has no header line.", next_action="The run was cut short before it began.")
        return load(RunHeader, first[0], f"{where}:1", RUN_SCHEMA)

    @cached_property
    def readings(self) -> tuple[Reading, ...]:
        """Every acknowledged reading that counts, in order; not those of a failed attempt at a repeated step."""
        return self._readings(superseded=False)

    @cached_property
    def superseded_readings(self) -> tuple[Reading, ...]:
        """Readings of failed attempts at steps that were repeated, in order."""
        return self._readings(superseded=True)

    def _readings(self, *, superseded: bool) -> tuple[Reading, ...]:
        lines, where = self.journal.lines, str(self.path / JOURNAL)
        failed = superseded_lines(lines, where)
        wanted = (line for line in lines if line.kind == "reading" and (line.n in failed) is superseded)
        try:
            return tuple(Reading.from_dict(line.data) for line in wanted)
        except (KeyError, TypeError, ValueError) as fault:
            raise RecordError(f"{where}: a reading is incomplete ({fault!r}).", next_action=RESTORE) from fault

    @property
    def events(self) -> tuple[Mapping[str, Any], ...]:
        """Everything in the journal that is neither header nor reading: {"kind": ..., **data}."""
        return tuple({"kind": e.kind, **e.data} for e in self.journal.lines if e.kind not in ("header", "reading"))

    @property
    def repeat_notes(self) -> list[str]:
        """A sentence for each step that was repeated and each instrument that got a question twice, in order."""
        return [text for event in self.events if (text := _repeat_note(event))]

    @property
    def remarks(self) -> Sequence[Remark]:
        """What people noted at its steps, oldest first. Raises RecordError for a damaged one."""
        return read_remarks(self.path)

    def witness_entries(self) -> list[Mapping[str, Any]]:
        """What witnesses taken for this run have said, oldest first; entries beside the run. Raises RecordError."""
        found: list[Mapping[str, Any]] = []
        for file in sorted(self.path.glob("witness*.json"), key=lambda f: (len(f.name), f.name)):
            data = read_json(file)
            if data.get("schema") != WITNESS_SCHEMA:
                raise RecordError(
                    f"{file}: is no entry of schema {WITNESS_SCHEMA!r}.", next_action="Restore it from a copy."
                )
            found.append(data)
        return found

    @property
    def judgement(self) -> Judgement | None:
        """The newest judgement, or None."""
        return self.evaluations[-1].judgement if self.evaluations else None

    @cached_property
    def evaluations(self) -> tuple[Evaluation, ...]:
        """All evaluations with who made them, when and against which part file; the run's own first."""
        made = []
        if (record := self.record) is not None and record.judgement:
            stamp = {"made_utc": record.ended_utc, "software": record.header.software}
            made = [_evaluation(RECORD, {"made": stamp, **record.judgement}, str(self.path / RECORD))]
        later = judgement_files(self.path)
        return (*made, *(_evaluation(file.name, read_json(file), str(file)) for file in later))

    @property
    def outcome(self) -> str:
        """Outcome of the newest judgement; "incomplete" for a run that was cut short."""
        if self.record is None:
            return "incomplete"
        return self.judgement.outcome if self.judgement else self.record.outcome

    @property
    def hashes(self) -> Mapping[str, str]:
        """File name -> sha256 as closed; of a run that was cut short, as the files stand now."""
        if self.record is not None:
            return self.record.hashes
        files = [self.path / JOURNAL, self.captures.path]
        return {file.name: sha256_of(file) for file in files if file.exists()}

    def altered_files(self) -> list[str]:
        """Names of the files that are missing or no longer what they were when the run was closed."""
        closed = self.record.hashes if self.record else {}
        return [n for n, h in closed.items() if not (self.path / n).exists() or sha256_of(self.path / n) != h]


def named_header(home: Path, header: RunHeader) -> RunHeader:
    """A header with the customer and the contact that it refers to."""
    details = resolve_in(home, header.details, NAMED_DETAILS)
    return replace(header, customer=resolve(home, header.customer), details=details)


def referring_header(home: Path, header: RunHeader) -> RunHeader:
    """A header as it is kept: references in place of the customer and the contact."""
    details = refer_in(home, header.details, NAMED_DETAILS)
    return replace(header, customer=refer(home, header.customer), details=details)


def judgement_files(run: Path) -> list[Path]:
    """The judgements that were put beside a run's own, oldest first."""
    return sorted(run.glob("judgement-*.json"), key=lambda f: (len(f.name), f.name))


def superseded_lines(lines: Iterable[JournalLine], where: str) -> frozenset[int]:
    """Journal lines of failed attempts, by the events "step repeated" (from_line, to_line) of rig/control/sequencer.py.

    Raises RecordError naming `where` for an event without its lines.
    """
    failed: set[int] = set()
    for line in lines:
        if line.kind != "event" or line.data.get("name") != "step repeated":
            continue
        try:
            failed.update(range(int(line.data["from_line"]), int(line.data["to_line"]) + 1))
        except (KeyError, TypeError, ValueError) as fault:
            raise RecordError(
                f"{where}:{line.n}: a repeated step does not say which lines it replaces ({fault!r}).",
                next_action=RESTORE,
            ) from fault
    return frozenset(failed)


def _repeat_note(event: Mapping[str, Any]) -> str:
    step, why = str(event.get("step", "")).replace("_", " "), str(event.get("why", ""))
    if event.get("name") == "step repeated":
        return f"Step {step} was repeated; its first attempt is kept and not used. Why: {why}"
    if event.get("name") == "said again":
        times = "once" if event.get("times") == 1 else f"{event.get('times')} times"
        return f"Step {step}: {event.get('instrument')} was asked again {times}. Why: {why}"
    return ""


def _evaluation(file: str, data: Mapping[str, Any], where: str) -> Evaluation:
    stamp = data.get("made") or {}
    known = {key: str(stamp.get(key) or "") for key in ("made_utc", "software", "campaign", "part_digest")}
    return Evaluation(file=file, judgement=load_judgement(data, where), **known)
