"""The index of a home in the store's database: what its folders say, as rows; never the record itself.

Runs come from runs/, the shop's book from book/. Both can be read again at any time: when an embedded database is
absent or damaged it is set aside and filled anew. `refresh` costs two look-ups while nothing has changed: a folder's
time stamp and the list of runs that are still open. Writers of one home take turns by a file lock. It judges nothing.
"""

from __future__ import annotations

import secrets
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Table, select
from sqlalchemy.dialects import postgresql, sqlite

from rig.errors import RecordError
from rig.records.book.entries import corrections
from rig.records.files import read_json_quickly, write_new
from rig.records.index import tables
from rig.records.index.database import Database, database_url
from rig.records.index.rows import Row, Rows, entry_rows, run_rows, stamp
from rig.records.run.stored import StoredRun
from rig.system import take_lock

BATCH = 200
TRUSTED_NS = 1_000_000_000  # a folder's stamp is believed once it is this old: file systems round their times


class HomeIndex:
    """The rows of one home."""

    def __init__(self, home: Path) -> None:
        self.folder = home
        self.runs_folder, self.book_folder = home / "runs", home / "book"
        self.database = Database(database_url(home))
        self._home = ""

    @property
    def home(self) -> str:
        """The name that this home bears in the database; made once, kept in <home>/home.id."""
        if not self._home:
            file = self.folder / "home.id"
            if not file.exists():
                self.folder.mkdir(parents=True, exist_ok=True)
                try:
                    write_new(file, secrets.token_hex(6).encode())
                except RecordError:
                    if not file.exists():
                        raise
            self._home = file.read_text(encoding="utf-8").strip()
        return self._home

    def put(self, run: str) -> None:
        """Take a run's rows from its folder, replacing what the index knew of it; the next refresh mends a failure."""
        self.mark_stale(run)
        with self._turn():
            self._write([run])

    def mark_stale(self, run: str) -> None:
        """A run's folder is about to change: the next refresh reads it anew."""
        marker = self.folder / ".stale" / run
        marker.parent.mkdir(parents=True, exist_ok=True)
        marker.touch()

    def put_entry(self, entry: str) -> None:
        """Take a new entry of the book from its file."""
        with self._turn():
            self._write_entries([entry])

    def refresh(self) -> None:
        """Make the index fit the folders that are there: new runs and entries are read, vanished ones forgotten."""
        with self._turn():
            self._refresh_runs()
            self._refresh_book()

    def erase_names(self, runs: Sequence[str], names: Sequence[str], instead: str) -> None:
        """Take names out of every row, those of these runs first, and out of what the database no longer uses.

        instead: the text that takes their place.
        On a server the space of deleted rows is its administrator's (VACUUM)."""
        for run in runs:
            self.mark_stale(run)
        with self._turn():
            self._refresh_runs()
            with self.database.writing() as connection:
                for column in (tables.JOBS.c.customer, tables.RETURNS.c.handed_to):
                    blank = column.table.update().where(column.in_(list(names)))
                    connection.execute(blank.values({column.name: instead}))
            self.database.compact()

    # ---- below the lock -------------------------------------------------------------------------------------

    @contextmanager
    def _turn(self) -> Iterator[None]:
        self.folder.mkdir(parents=True, exist_ok=True)
        with (self.folder / "index.lock").open("w") as lock:
            take_lock(lock)
            if not self.database.readable():
                self.database.set_aside(self.folder)
            yield

    def _refresh_runs(self) -> None:
        t = tables.RUNS
        mine = t.c.home == self.home
        now, changed = self._compare_stamp(self.runs_folder, "runs")
        open_ones = self.database.rows(select(t.c.run, t.c.stamp).where(mine, t.c.closed.is_(False)))
        todo = {row["run"] for row in open_ones if row["stamp"] != stamp(self.runs_folder / row["run"])}
        todo |= {path.name for path in (self.folder / ".stale").glob("*-*")}
        gone: set[str] = set()
        if changed:
            there = {path.name for path in self.runs_folder.glob("*-*") if path.is_dir()}
            known = {row["run"] for row in self.database.rows(select(t.c.run).where(mine))}
            todo, gone = (todo | (there - known)) & there, known - there
        ordered = sorted(todo)
        for start in range(0, len(ordered), BATCH):
            self._write(ordered[start : start + BATCH])
        if gone or (changed and now):
            with self.database.writing() as connection:
                replace_runs(connection, self.home, {run: {} for run in gone})
                self._mark(connection, "runs", now)

    def _refresh_book(self) -> None:
        now, changed = self._compare_stamp(self.book_folder, "book")
        if not changed:
            return
        t = tables.ENTRIES
        known = {row["entry"] for row in self.database.rows(select(t.c.entry).where(t.c.home == self.home))}
        new = sorted({path.stem for path in self.book_folder.glob("*.json")} - known)
        for start in range(0, len(new), BATCH):
            self._write_entries(new[start : start + BATCH])
        if now:
            with self.database.writing() as connection:
                self._mark(connection, "book", now)

    def _compare_stamp(self, folder: Path, name: str) -> tuple[str, bool]:
        """The folder's present stamp ("" when too young to be believed), and whether it differs from the marked one."""
        try:
            then = folder.stat().st_mtime_ns
        except FileNotFoundError:
            then = 0
        now = str(then) if time.time_ns() - then > TRUSTED_NS else ""
        t = tables.MARKS
        marked = self.database.rows(select(t.c.value).where(t.c.home == self.home, t.c.name == name))
        return now, not now or not marked or marked[0]["value"] != now

    def _mark(self, connection: Connection, name: str, value: str) -> None:
        t = tables.MARKS
        connection.execute(t.delete().where(t.c.home == self.home, t.c.name == name))
        connection.execute(t.insert().values(home=self.home, name=name, value=value))

    def _write(self, runs: Sequence[str]) -> None:
        marks = {run: _touch_time(self.folder / ".stale" / run) for run in runs}
        rows = {run: run_rows(StoredRun(self.runs_folder / run, read=read_json_quickly)) for run in runs}
        with self.database.writing() as connection:
            replace_runs(connection, self.home, rows)
        for run, mark in marks.items():
            marker = self.folder / ".stale" / run
            if mark and _touch_time(marker) == mark:
                marker.unlink(missing_ok=True)

    def _write_entries(self, entries: Sequence[str]) -> None:
        read = [entry_rows(self.book_folder / f"{entry}.json") for entry in entries]
        with self.database.writing() as connection:
            for rows in read:
                for name, found in rows.items():
                    table = tables.METADATA.tables[name]
                    own = [row | {"home": self.home} if "home" in table.c else row for row in found]
                    upsert(connection, table, own)
            self._correct(connection)

    def _correct(self, connection: Connection) -> None:
        """Apply every correction of the book to the rows of intakes and returns; a second time changes nothing."""
        for correction in corrections(self.book_folder):
            for table in (tables.INTAKES, tables.RETURNS):
                c = table.c
                fits = [c.part == correction.part, c.serial == correction.serial]
                fits += [c.job == correction.job] if correction.job else []
                if correction.taken_back:
                    connection.execute(table.delete().where(*fits))
                    continue
                right = {"part": correction.new_part, "serial": correction.new_serial}
                if values := {name: text for name, text in right.items() if text}:
                    connection.execute(table.update().where(*fits).values(**values))


def replace_runs(connection: Connection, home: str, runs: Mapping[str, Rows]) -> None:
    """Put the rows of runs in place of what was known of them; several runs go down in one statement a table."""
    gathered: dict[str, list[Row]] = {}
    for rows in runs.values():
        for name, found in rows.items():
            gathered.setdefault(name, []).extend(found)
    for table in tables.OF_A_RUN:
        connection.execute(table.delete().where(table.c.home == home, table.c.run.in_(list(runs))))
        if own := [{"home": home, **row} for row in gathered.get(table.name, [])]:
            connection.execute(table.insert(), own)
    for table in tables.SHARED:
        upsert(connection, table, gathered.get(table.name, []))


def upsert(connection: Connection, table: Table, rows: Sequence[Row]) -> None:
    """Add rows that are new; of known ones only a job's later words are taken over."""
    keys = [column.name for column in table.primary_key]
    first = {tuple(row[key] for key in keys): row for row in reversed(rows)}
    make = postgresql.insert if connection.dialect.name == "postgresql" else sqlite.insert
    for _, row in sorted(first.items(), key=lambda item: item[0]):  # one order everywhere: two benches can't deadlock
        insert = make(table).values(**row)
        later = {key: value for key, value in row.items() if key not in keys and value} if table is tables.JOBS else {}
        if later:
            connection.execute(insert.on_conflict_do_update(index_elements=keys, set_=later))
        else:
            connection.execute(insert.on_conflict_do_nothing(index_elements=keys))


def _touch_time(marker: Path) -> int:
    try:
        return marker.stat().st_mtime_ns
    except FileNotFoundError:
        return 0


def only(table: Table, where: Mapping[str, Any]) -> list[Any]:
    """Conditions column == value, for `select(...).where(*only(...))`."""
    return [table.c[column] == wanted for column, wanted in where.items()]
