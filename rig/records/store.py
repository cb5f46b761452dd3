"""The run folders under the home: beginning a run, closing it, finding it again; nothing is ever overwritten.

    <home>/runs/<id>/  journal.jsonl  raw.h5 (.part while open)  run.json (closed)  judgement-2.json ...  certificates
    <home>/index.sqlite  an index that is rebuilt from the folders

A run without run.json was cut short: it stays, and is listed as incomplete. It never evaluates and never judges.
"""

from __future__ import annotations

import secrets
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import cached_property
from pathlib import Path
from typing import Any

from rig.description import home as default_home
from rig.errors import RecordError, UsageError
from rig.quantity import Reading
from rig.records.files import read_json, sha256_of, to_json, unwritable, write_beside, write_new
from rig.records.index import RunIndex
from rig.records.journal import Journal, Journalled, read_journal
from rig.records.raw import RawFile, RawReader
from rig.records.run import RunHeader, RunRecord, judgement_from_dict, judgement_to_dict
from rig.result import Judgement

JOURNAL, RAW, RECORD = "journal.jsonl", "raw.h5", "run.json"


class RunFolder:
    """A run being written: `journal` and `raw` take what the steps read; `close` ends both and hashes them."""

    def __init__(self, path: Path, header: RunHeader) -> None:
        self.path = path
        self.header = header
        self.journal = Journal(path / JOURNAL)
        self.raw = RawFile(path / RAW)
        self.journal.append("header", header.to_dict())

    @property
    def id(self) -> str:
        """The run's id, which is the folder's name too."""
        return self.path.name

    def close(self) -> dict[str, str]:
        """Close journal and raw file; file name -> sha256 of those that are there. Idempotent."""
        self.journal.close()
        self.raw.close()
        return {name: sha256_of(self.path / name) for name in (JOURNAL, RAW) if (self.path / name).exists()}


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
        """Every acknowledged reading, in order."""
        try:
            return tuple(Reading.from_dict(data) for data in self.journal.of("reading"))
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
        made = self.judgements()
        return made[-1] if made else None

    def judgements(self) -> list[Judgement]:
        """All judgements, the run's own first, later ones as they were put beside it."""
        record = self.record
        made = [judgement_from_dict(record.judgement, str(self.path / RECORD))] if record and record.judgement else []
        later = sorted(self.path.glob("judgement-*.json"), key=lambda f: (len(f.name), f.name))
        return made + [judgement_from_dict(read_json(file), str(file)) for file in later]

    @property
    def outcome(self) -> str:
        """Outcome of the newest judgement; "incomplete" for a run that was cut short."""
        if self.record is None:
            return "incomplete"
        judgement = self.judgement
        return judgement.outcome if judgement else self.record.outcome

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


@dataclass(frozen=True, slots=True)
class Found:
    """One line of the list of runs, as the index holds it."""

    run: str
    started_utc: str
    part: str
    serial: str
    sequence: str
    outcome: str
    simulated: bool
    job: str


class Store:
    """All runs of a home (default: $ANGLEWRIGHT_HOME or the platform's data folder)."""

    def __init__(self, home: Path | None = None) -> None:
        self.home = home or default_home()
        self.folder = self.home / "runs"
        self.index = RunIndex(self.home / "index.sqlite", self._rows_of)

    def begin(self, header: RunHeader) -> RunFolder:
        """A new run: its folder, with the header as the journal's first line. Raises RecordError (disk, permission)."""
        started = datetime.fromisoformat(header.started_utc) if header.started_utc else datetime.now(UTC)
        stamp = started.astimezone(UTC).strftime("%Y%m%d-%H%M%S")
        while True:
            path = self.folder / f"{stamp}-{secrets.token_hex(2)}"
            try:
                self.folder.mkdir(parents=True, exist_ok=True)
                path.mkdir()
            except FileExistsError:
                continue
            except OSError as fault:
                raise unwritable(path, fault) from fault
            return RunFolder(path, replace(header, run=path.name))

    def finish(
        self,
        run: RunFolder,
        *,
        outcome: str = "",
        judgement: Judgement | None = None,
        ended: str = "complete",
        ended_utc: str = "",
        note: str = "",
    ) -> StoredRun:
        """Close a run for good: run.json with the hashes, then the index.

        outcome: by default the judgement's, else "incomplete". ended: "complete", or why it was cut short. Raises
        RecordError when the disk refuses or the run is closed already; journal and raw file stay as they are.
        """
        hashes = run.close()
        stored = StoredRun(run.path)
        raw = stored.captures
        record = RunRecord(
            header=run.header,
            ended=ended,
            ended_utc=ended_utc or datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z"),
            outcome=outcome or (judgement.outcome if judgement else "incomplete"),
            hashes=hashes,
            counts={
                "readings": len(stored.journal.of("reading")),
                "events": len(stored.events),
                "captures": sum(raw.count(name) for name in raw.series()),
            },
            judgement=judgement_to_dict(judgement) if judgement else None,
            note=note,
        )
        write_new(run.path / RECORD, to_json(record.to_dict(), indent=None))
        with suppress(RecordError):  # the run is closed and whole; the next listing mends the index
            self.index.put(run.id)
        return StoredRun(run.path)

    def add_judgement(self, run: str, judgement: Judgement) -> Path:
        """Put another judgement beside a run's own (judgement-2.json, -3 ...); the file."""
        stored = self.find(run)
        own = stored.record is not None and stored.record.judgement is not None
        name = "judgement-2.json" if own else "judgement-1.json"
        data = to_json(judgement_to_dict(judgement), indent=None)
        path = _numbered(stored.path / name)
        write_new(path, data)
        self.index.put(stored.id)
        return path

    def add_file(self, run: str, name: str, data: bytes) -> Path:
        """Put a file into a run's folder under its name or the next free one beside it; the file."""
        return write_beside(self.find(run).path / name, data)

    def ids(self) -> tuple[str, ...]:
        """Ids of all run folders, oldest first."""
        return tuple(sorted(path.name for path in self.folder.glob("*-*") if path.is_dir()))

    def list(self, **where: str) -> Sequence[Found]:
        """Runs, newest first; where: part, serial, job, outcome, sequence."""
        self.index.refresh(self.ids())
        columns = Found.__slots__
        return [Found(**{name: row[name] for name in columns}) for row in self.index.runs(**where)]

    def results(self, **where: str) -> Sequence[Mapping[str, Any]]:
        """Rows of results over all runs, newest first; where: measurand, part, serial, run."""
        self.index.refresh(self.ids())
        return self.index.results(**where)

    def find(self, run: str) -> StoredRun:
        """A run by its id, the beginning or the end of it, or "latest". Raises UsageError for none or several."""
        ids = self.ids()
        fitting = (run,) if run in ids else tuple(i for i in ids if i.startswith(run) or i.endswith(run))
        if run == "latest":
            fitting = ids[-1:]
        if len(fitting) == 1:
            return StoredRun(self.folder / fitting[0])
        what = f"{len(fitting)} runs fit" if fitting else "no run is called"
        shown = ", ".join((fitting or ids)[-3:]) or "none yet"
        raise UsageError(f"{what} {run!r} under {self.folder}.", next_action=f"Give one whole id ({shown}).")

    def _rows_of(self, run: str) -> tuple[dict[str, Any], Sequence[dict[str, Any]]]:
        stored = StoredRun(self.folder / run)
        row: dict[str, Any] = dict.fromkeys(
            ("sequence", "part", "revision", "serial", "job", "operator", "rotor", "bench", "started_utc"), ""
        )
        row |= {"run": run, "outcome": "incomplete", "simulated": False, "closed": False, "note": ""}
        try:
            row |= _header_row(stored)
            return row, _result_rows(stored)
        except RecordError as fault:
            return row | {"note": str(fault)}, []


def _numbered(path: Path) -> Path:
    stem, _, n = path.stem.rpartition("-")
    number = int(n)
    while path.exists():
        number += 1
        path = path.with_name(f"{stem}-{number}{path.suffix}")
    return path


def _header_row(stored: StoredRun) -> dict[str, Any]:
    h = stored.header
    return {
        "sequence": h.sequence,
        "part": str(h.part.get("number", "")),
        "revision": str(h.part.get("revision", "")),
        "serial": h.serial,
        "job": h.job,
        "operator": h.operator,
        "rotor": h.rotor,
        "bench": str(h.bench.get("name", "")),
        "started_utc": h.started_utc,
        "simulated": h.simulated,
        "outcome": stored.outcome,
        "closed": stored.record is not None,
        "note": stored.record.note if stored.record else "cut short",
    }


def _result_rows(stored: StoredRun) -> list[dict[str, Any]]:
    judgement, h = stored.judgement, stored.header
    if judgement is None:
        return []
    rows = []
    for line in judgement.judged:
        data = line.to_dict()
        limit = data["limit"] or {}
        rows.append(
            {key: data[key] for key in ("measurand", "unit", "estimate", "U", "k", "verdict")}
            | {"run": stored.id, "part": str(h.part.get("number", "")), "serial": h.serial}
            | {"lower": limit.get("lower"), "upper": limit.get("upper")}
        )
    return rows
