"""The index of runs: an SQLite file beside the run folders, in tables of SQLAlchemy Core; never the truth itself.

Everything in it can be read again from the folders: when it is absent, of another version or damaged, it is set aside
and rebuilt. Write-ahead logging and a file lock let several processes share it. It judges nothing.
"""

from __future__ import annotations

import fcntl
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.errors import RecordError
from rig.records.files import next_free

if TYPE_CHECKING:
    from sqlalchemy import Engine, MetaData

VERSION = 1
Row = Mapping[str, Any]


class RunIndex:
    """runs and results by columns. `rows_of(run id)` reads a run's rows anew from its folder: (run, results)."""

    def __init__(self, path: Path, rows_of: Callable[[str], tuple[Row, Sequence[Row]]]) -> None:
        self.path = path
        self._rows_of = rows_of
        self._engine: Engine | None = None

    def put(self, run: str) -> None:
        """Take a run's rows from its folder, replacing what the index knew of it."""
        with self._locked():
            self._write([run])

    def refresh(self, folders: Sequence[str]) -> None:
        """Make the index fit the folders that are there: new ones are read, vanished ones forgotten."""
        with self._locked():
            known = {row["run"]: row for row in self._rows("runs")}
            changed = [run for run in folders if run not in known or not known[run]["closed"]]
            gone = set(known) - set(folders)
            if changed:
                self._write(changed)
            if gone:
                self._forget(gone)

    def runs(self, **where: str) -> list[dict[str, Any]]:
        """Rows of runs, newest first; where: column = wanted value."""
        with self._locked():
            return self._rows("runs", order="run", **where)

    def results(self, **where: str) -> list[dict[str, Any]]:
        """Rows of results, newest run first; where: measurand, part, serial, run."""
        with self._locked():
            return self._rows("results", order="run", **where)

    # ---- below the lock -------------------------------------------------------------------------------------

    @contextmanager
    def _locked(self) -> Iterator[None]:
        from sqlalchemy.exc import DatabaseError

        self.path.parent.mkdir(parents=True, exist_ok=True)
        with self.path.with_suffix(".lock").open("w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            if self._engine is None or not self.path.exists():
                self._open()
            try:
                yield
            except DatabaseError as fault:
                self._dispose()
                raise RecordError(
                    f"{self.path}: the index of runs refused ({fault.orig}).",
                    next_action="Check the disk; when it is damaged delete it: it is rebuilt from the run folders.",
                ) from fault

    def _open(self) -> None:
        from sqlalchemy.exc import DatabaseError

        self._dispose()
        try:
            if self.path.exists() and self._sound():
                return
        except DatabaseError:
            pass
        self._dispose()
        if self.path.exists():
            self._set_aside()
        tables = _tables()
        with self._connect().begin() as connection:
            tables.create_all(connection)
            connection.exec_driver_sql(f"PRAGMA user_version = {VERSION}")

    def _sound(self) -> bool:
        with self._connect().connect() as connection:
            version = connection.exec_driver_sql("PRAGMA user_version").scalar()
            return version == VERSION and connection.exec_driver_sql("PRAGMA quick_check").scalar() == "ok"

    def _set_aside(self) -> None:
        self.path.rename(next_free(self.path.with_suffix(".damaged")))
        for tail in ("-wal", "-shm"):
            self.path.with_name(self.path.name + tail).unlink(missing_ok=True)

    def _connect(self) -> Engine:
        from sqlalchemy import create_engine, event
        from sqlalchemy.pool import NullPool

        if self._engine is None:
            self._engine = create_engine(f"sqlite:///{self.path}", poolclass=NullPool, connect_args={"timeout": 30.0})

            @event.listens_for(self._engine, "connect")
            def settings(connection: Any, _record: Any) -> None:
                connection.execute("PRAGMA journal_mode = WAL")
                connection.execute("PRAGMA synchronous = FULL")

        return self._engine

    def _dispose(self) -> None:
        if self._engine is not None:
            self._engine.dispose()
            self._engine = None

    def _rows(self, table: str, order: str = "run", **where: str) -> list[dict[str, Any]]:
        from sqlalchemy import select

        t = _tables().tables[table]
        query = select(t).order_by(t.c[order].desc())
        for column, wanted in where.items():
            query = query.where(t.c[column] == wanted)
        with self._connect().connect() as connection:
            return [dict(row) for row in connection.execute(query).mappings()]

    def _write(self, runs: Sequence[str]) -> None:
        tables = _tables().tables
        rows = [self._rows_of(run) for run in runs]
        with self._connect().begin() as connection:
            for run, (row, results) in zip(runs, rows, strict=True):
                for table in tables.values():
                    connection.execute(table.delete().where(table.c.run == run))
                connection.execute(tables["runs"].insert().values(**row))
                if results:
                    connection.execute(tables["results"].insert(), list(results))

    def _forget(self, runs: set[str]) -> None:
        with self._connect().begin() as connection:
            for table in _tables().tables.values():
                connection.execute(table.delete().where(table.c.run.in_(runs)))


def _tables() -> MetaData:
    global _known_tables
    if _known_tables is None:
        _known_tables = _defined()
    return _known_tables


_known_tables: MetaData | None = None


def _defined() -> MetaData:
    from sqlalchemy import Boolean, Column, Float, Index, MetaData, String, Table

    metadata = MetaData()
    texts = ("sequence", "part", "revision", "serial", "job", "operator", "rotor", "bench", "started_utc", "outcome")
    Table(
        "runs",
        metadata,
        Column("run", String, primary_key=True),
        *(Column(name, String, nullable=False) for name in texts),
        Column("simulated", Boolean, nullable=False),
        Column("closed", Boolean, nullable=False),
        Column("note", String, nullable=False),
        Index("runs_by_serial", "part", "serial", "run"),
    )
    Table(
        "results",
        metadata,
        Column("run", String, nullable=False, index=True),
        Column("part", String, nullable=False),
        Column("serial", String, nullable=False),
        Column("measurand", String, nullable=False),
        Column("unit", String, nullable=False),
        *(Column(name, Float) for name in ("estimate", "U", "k", "lower", "upper")),
        Column("verdict", String, nullable=False),
        Index("results_by_measurand", "part", "measurand", "run"),
    )
    return metadata
