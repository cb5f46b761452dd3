"""The run folders under the home: beginning a run, closing it, finding it again; nothing is ever overwritten.

    <home>/runs/<id>/  journal.jsonl  raw.h5 (.part while open)  run.json (closed)  judgement-2.json ...  certificates
                       remark.json  photo.jpg ...
    <home>/book/       the shop's entries (book/)
    the database       an index that is rebuilt from both (index/)

A run without run.json was cut short: it stays, and is listed as incomplete. Nothing is evaluated or judged here.
"""

from __future__ import annotations

import re
import secrets
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime
from functools import cached_property
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.description.places import default_home
from rig.errors import RecordError, UsageError
from rig.records.files import sha256_of, to_json, unwritable, utc_now, write_beside, write_new
from rig.records.run.journal import Journal
from rig.records.run.listing import RunRow
from rig.records.run.raw import RawFile
from rig.records.run.record import RunHeader, RunRecord, dump_judgement
from rig.records.run.remarks import Remark, add_remark
from rig.records.run.retest import check_retest
from rig.records.run.stored import JOURNAL, RAW, RECORD, WITNESS, WITNESS_SCHEMA, StoredRun, referring_header
from rig.records.schema import check_texts, dump
from rig.result import Judgement

if TYPE_CHECKING:  # the index stands on SQLAlchemy, which is loaded when a list is first asked for
    from rig.records.index.home_index import HomeIndex


STATED = ("serial", "job", "customer", "condition", "operator", "rotor", "clamping", "details")  # typed by a person


class RunFolder:
    """A run being written: `journal` and `raw` take what the steps read; `close` ends both and hashes them."""

    def __init__(self, path: Path, header: RunHeader) -> None:
        self.path = path
        self.header = header
        self.journal = Journal(path / JOURNAL)
        self.raw = RawFile(path / RAW)
        self.journal.append("header", dump(header))

    @property
    def id(self) -> str:
        """The run's id, which is the folder's name too."""
        return self.path.name

    def close(self) -> dict[str, str]:
        """Close journal and raw file; file name -> sha256 of those that are there. Idempotent."""
        self.journal.close()
        self.raw.close()
        return {name: sha256_of(self.path / name) for name in (JOURNAL, RAW) if (self.path / name).exists()}


class Store:
    """All runs of a home (default: $ANGLEWRIGHT_HOME or the platform's data folder)."""

    def __init__(self, home: Path | None = None) -> None:
        self.home = home or default_home()
        self.folder = self.home / "runs"

    @cached_property
    def index(self) -> HomeIndex:
        """The index in the store's database; opened at its first use."""
        from rig.records.index.home_index import HomeIndex

        return HomeIndex(self.home)

    def begin(self, header: RunHeader) -> RunFolder:
        """A new run: its folder, with the header as the journal's first line.

        Raises RecordError (disk, permission); UsageError for what `check_allowed` refuses.
        """
        self.check_allowed(header)
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
            return RunFolder(path, referring_header(self.home, replace(header, run=path.name)))

    def check_allowed(self, header: RunHeader) -> None:
        """Raises UsageError for a control character in a stated text, or a retest that retest.py does not allow."""
        check_texts({name: getattr(header, name) for name in STATED})
        if header.retest_of:
            check_retest(header, [StoredRun(self.folder / i) for i in self.ids()])

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
            ended_utc=ended_utc or utc_now(),
            outcome=outcome or (judgement.outcome if judgement else "incomplete"),
            hashes=hashes,
            counts={
                "readings": len(stored.journal.of("reading")),
                "events": len(stored.events),
                "captures": sum(raw.count(name) for name in raw.series()),
            },
            judgement=dump_judgement(judgement) if judgement else None,
            note=note,
        )
        write_new(run.path / RECORD, to_json(dump(record), indent=None))
        self._update_index(run.id)
        return StoredRun(run.path)

    def add_judgement(
        self,
        run: str,
        judgement: Judgement | Mapping[str, Any],
        *,
        campaign: str = "",
        part_digest: str = "",
        index: bool = True,
    ) -> Path:
        """Put another judgement (or its dictionary) beside a run's own (judgement-2.json, -3 ...); the file.

        index False: the index reads it at its next refresh, many runs at once.
        """
        stored = self.find(run)
        own = stored.record is not None and stored.record.judgement is not None
        made = {"made_utc": utc_now(), "software": f"anglewright {version('anglewright')}"}
        made |= {"campaign": campaign, "part_digest": part_digest}
        data = dump_judgement(judgement) if isinstance(judgement, Judgement) else judgement
        path = _next_free(stored.path / ("judgement-2.json" if own else "judgement-1.json"))
        self.index.mark_stale(stored.id)
        write_new(path, to_json({**data, "made": made}, indent=None))
        if index:
            self._update_index(stored.id)
        else:
            self.index.mark_stale(stored.id)  # again: a refresh in between has seen the folder without the file
        return path

    def add_file(self, run: str, name: str, data: bytes) -> Path:
        """Put a file into a run's folder under its name or the next free one beside it; the file."""
        return write_beside(self.find(run).path / name, data)

    def add_witness(self, run: str, data: Mapping[str, Any]) -> Path:
        """Put what a witness said beside the run that it was taken for (witness.json, -2 ...); the file.

        data: {kind, run, answers: [{line, answer, told}]}. The run's own files never change.
        """
        made = {"schema": WITNESS_SCHEMA, "made_utc": utc_now(), **data}
        return self.add_file(run, WITNESS, to_json(made))

    def add_remark(self, run: str, text: str, *, author: str, step: str = "", photo: Path | None = None) -> Remark:
        """Note something at a step of a run, with a photo if there is one. Raises UsageError, RecordError."""
        folder = self.find(run).path
        return add_remark(folder, Remark(made_utc=utc_now(), author=author, step=step, text=text), photo)

    def _update_index(self, run: str) -> None:
        """Bring the index up to date; the files are safe, and the next listing mends a database that refused."""
        with suppress(RecordError):
            self.index.put(run)

    def ids(self) -> tuple[str, ...]:
        """Ids of all run folders, oldest first."""
        return tuple(sorted(path.name for path in self.folder.glob("*-*") if path.is_dir()))

    def list(self, most: int | None = None, /, **where: str) -> Sequence[RunRow]:
        """Runs, newest first, at most so many; where: part, serial, job, outcome, sequence."""
        from sqlalchemy import select

        from rig.records.index.home_index import only
        from rig.records.index.tables import RUNS

        self.index.refresh()
        columns = [RUNS.c[name] for name in RunRow.__slots__]
        query = select(*columns).where(RUNS.c.home == self.index.home, *only(RUNS, where)).order_by(RUNS.c.run.desc())
        query = query.limit(most)
        return [RunRow(**row) for row in self.index.database.rows(query)]

    def results(self, **where: str) -> Sequence[Mapping[str, Any]]:
        """Rows of results over all runs, newest first; where: measurand, part, serial, run."""
        from sqlalchemy import select

        from rig.records.index.home_index import only
        from rig.records.index.tables import RESULTS

        self.index.refresh()
        query = select(RESULTS).where(RESULTS.c.home == self.index.home, *only(RESULTS, where))
        return self.index.database.rows(query.order_by(RESULTS.c.run.desc(), RESULTS.c.line))

    def unit_results(self, part: str, serial: str) -> Sequence[tuple[RunRow, Mapping[str, Any]]]:
        """Every result of a unit beside the run that it is of, newest run first."""
        listed = {found.run: found for found in self.list(part=part, serial=serial)}
        rows = self.results(part=part, serial=serial)
        return [(listed[row["run"]], row) for row in rows if row["run"] in listed]

    def find(self, run: str) -> StoredRun:
        """A run by its id, the beginning or the end of it, or "latest". Raises UsageError for none or several."""
        if re.fullmatch(r"\w+-\w+-\w+", run) and (self.folder / run).is_dir():
            return StoredRun(self.folder / run)
        ids = self.ids()
        fitting = (run,) if run in ids else tuple(i for i in ids if i.startswith(run) or i.endswith(run))
        if run == "latest":
            fitting = ids[-1:]
        if len(fitting) == 1:
            return StoredRun(self.folder / fitting[0])
        what = f"{len(fitting)} runs fit" if fitting else "no run is called"
        shown = ", ".join((fitting or ids)[-3:]) or "none yet"
        raise UsageError(f"{what} {run!r} under {self.folder}.", next_action=f"Give one whole id ({shown}).")


def _next_free(path: Path) -> Path:
    stem, _, n = path.stem.rpartition("-")
    number = int(n)
    while path.exists():
        number += 1
        path = path.with_name(f"{stem}-{number}{path.suffix}")
    return path
