"""One database behind one URL: opened, brought to the newest schema, read and written in whole transactions.

SQLite by default (<home>/anglewright.sqlite; write-ahead log, synchronous = full: what was committed survives a power
cut), PostgreSQL where ANGLEWRIGHT_DATABASE names one (extra `postgres`). Schema changes are Alembic migrations that
travel inside the package and run in one transaction. Only the home's own file is ever set aside: a file that the
variable names and that is no database of this program stays as it is. It knows no run; passwords never reach a message.
"""

from __future__ import annotations

import os
import sqlite3
import weakref
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, Executable, create_engine, event, inspect, make_url, select
from sqlalchemy import text as statement
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError, OperationalError
from sqlalchemy.exc import DatabaseError as DriverFault

from rig.errors import RecordError, UsageError
from rig.records.files import next_free
from rig.records.index.tables import MARKS

VARIABLE = "ANGLEWRIGHT_DATABASE"
FILE = "anglewright.sqlite"
MIGRATIONS = Path(__file__).parent / "migrations"
ONE_AT_A_TIME = 0x616E676C  # key of the server's advisory lock for schema changes
BUSY_S = 30.0


def database_url(home: Path) -> URL:
    """Where the records of a home are indexed. Raises UsageError for a URL that can't be one of ours."""
    text = os.environ.get(VARIABLE, "")
    if not text:
        return URL.create("sqlite", database=str(home / FILE))
    advice = "Write postgresql://user@host/name, or leave it unset for a file in the home."
    try:
        url = make_url(text)
    except (ArgumentError, ValueError) as fault:
        raise UsageError(f"{VARIABLE} is no database URL.", next_action=advice) from fault
    if url.drivername in ("postgresql", "postgres", "postgresql+psycopg"):
        return url.set(drivername="postgresql+psycopg")
    if url.drivername == "sqlite" and url.database:
        return url
    raise UsageError(f"{VARIABLE} names {url.drivername!r}, not SQLite or PostgreSQL.", next_action=advice)


class Database:
    """The database of a URL; opened and migrated at its first use."""

    def __init__(self, url: URL) -> None:
        self.url = url
        self._engine: Engine | None = None

    @property
    def file(self) -> Path | None:
        """The file of an embedded database, None for a server."""
        return Path(self.url.database) if self.url.drivername == "sqlite" and self.url.database else None

    @property
    def name(self) -> str:
        """Its name for messages, without a password."""
        return str(self.file) if self.file else self.url.render_as_string(hide_password=True)

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection whose queries see one state. Raises RecordError."""
        with self._faults_named(), self._connect().begin() as connection:
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """One transaction: all of it is kept when the block ends, none of it after a fault. Raises RecordError."""
        with self._faults_named(), self._connect().execution_options(writes=True).begin() as connection:
            yield connection

    def rows(self, query: Executable) -> list[dict[str, Any]]:
        """All rows of a query, each by its columns' names."""
        with self.reading() as connection:
            return [dict(row) for row in connection.execute(query).mappings()]

    def readable(self) -> bool:
        """False when an embedded database is damaged; a server looks after itself."""
        if self.file is None or not self.file.exists():
            return True
        try:
            self.rows(select(MARKS).limit(1))
        except RecordError as fault:
            if isinstance(fault.__cause__, DriverFault) and _is_damage(fault.__cause__):
                return False
            raise
        return True

    def set_aside(self, home: Path) -> None:
        """Move a home's own damaged database out of the way, as .damaged. Raises RecordError for any other file."""
        self.close()
        if self.file is None or not self.file.exists():
            return
        if self.file.resolve() != (home / FILE).resolve():
            raise _not_ours(self.file)
        self.file.rename(next_free(self.file.with_suffix(".damaged")))
        for tail in ("-wal", "-shm"):
            self.file.with_name(self.file.name + tail).unlink(missing_ok=True)

    def compact(self) -> None:
        """Write an embedded database anew, so that nothing of deleted rows is left in it. Raises RecordError."""
        if self.file is None:
            return
        with self._faults_named():
            self.close()
            with closing(sqlite3.connect(self.file, timeout=BUSY_S, isolation_level=None)) as connection:
                connection.execute("VACUUM")
                connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")

    def close(self) -> None:
        """Give the connections back; the next use opens again."""
        if self._engine is not None:
            self._engine.dispose()
            self._engine = None

    # ---- opening ----------------------------------------------------------------------------------------------

    def _connect(self) -> Engine:
        if self._engine is None or (self.file is not None and not self.file.exists()):
            self.close()
            if self.file is not None:
                self.file.parent.mkdir(parents=True, exist_ok=True)
                if self.file.name != FILE:
                    _check_ours(self.file)
            engine = _engine(self.url)
            try:
                migrate(engine)
            except (DBAPIError, RecordError):
                engine.dispose()
                raise
            self._engine = engine
            weakref.finalize(self, engine.dispose)  # whoever drops a store leaves no connection behind
        return self._engine

    @contextmanager
    def _faults_named(self) -> Iterator[None]:
        try:
            yield
        except RecordError:
            raise
        except OSError as fault:
            raise RecordError(f"{self.name}: {fault.strerror or fault}.", next_action="Check the disk.") from fault
        except DBAPIError as fault:
            lost = isinstance(fault, OperationalError) and self.file is None
            raise RecordError(
                f"{self.name}: the database {'is not reached' if lost else 'refused'} ({_first_line(fault)}).",
                next_action=f"Check the server and {VARIABLE}; runs stay safe in their folders."
                if self.file is None
                else "Check the disk; a damaged file may be deleted: it is rebuilt from the folders.",
            ) from fault


def _check_ours(file: Path) -> None:
    """Raises RecordError, with the file untouched, when it holds anything but a database of this program."""
    if not file.exists() or file.stat().st_size == 0:
        return
    try:
        with closing(sqlite3.connect(f"{file.resolve().as_uri()}?mode=ro", uri=True)) as connection:
            tables = {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    except sqlite3.DatabaseError as fault:
        raise _not_ours(file) from fault
    if tables and not {"alembic_version", "marks"} <= tables:
        raise _not_ours(file)


def _not_ours(file: Path) -> RecordError:
    return RecordError(
        f"{file}: is no database of this program, or a damaged one; it stays as it is.",
        next_action=f"Correct {VARIABLE}, or move the file away: its rows are read again from the run folders.",
    )


def _is_damage(fault: DriverFault) -> bool:
    """The file itself is at fault, not a lock or a full disk."""
    return any(sign in str(fault.orig) for sign in ("malformed", "not a database", "disk I/O error", "no such table"))


def _first_line(fault: DBAPIError) -> str:
    return next(iter(str(fault.orig).strip().splitlines()), type(fault.orig).__name__)


def _engine(url: URL) -> Engine:
    if url.drivername != "sqlite":
        try:
            return create_engine(url, pool_size=2, pool_pre_ping=True, connect_args={"connect_timeout": 10})
        except (ModuleNotFoundError, NoSuchModuleError) as fault:
            raise UsageError(
                "PostgreSQL needs a driver that is not installed.", next_action="Install anglewright[postgres]."
            ) from fault
    engine = create_engine(url, pool_size=2, connect_args={"timeout": BUSY_S})

    @event.listens_for(engine, "connect")
    def settings(connection: Any, _record: Any) -> None:
        connection.isolation_level = None  # transactions are ours: schema changes roll back with the rest
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        writes = connection.get_execution_options().get("writes", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


def migrate(engine: Engine, revision: str = "head") -> None:
    """Bring a database to a revision of the schema (the newest), in one transaction; nothing to do is cheap.

    Raises RecordError for a database that a newer version of the program has written.
    """
    if revision == "head" and _at_head(engine):
        return
    from alembic import command  # loaded late: a list of runs must be there at once
    from alembic.script import ScriptDirectory
    from alembic.util.exc import CommandError

    config = _config()
    with engine.execution_options(writes=True).begin() as connection:
        if engine.dialect.name == "postgresql":
            connection.execute(statement("SELECT pg_advisory_xact_lock(:key)"), {"key": ONE_AT_A_TIME})
        config.attributes["connection"] = connection
        try:
            command.upgrade(config, revision)
        except CommandError as fault:
            newest = ScriptDirectory.from_config(config).get_current_head()
            raise RecordError(
                f"the database has a schema that this version does not know ({fault}); its own is {newest}.",
                next_action="Use the version of the program that wrote it, or a newer one.",
            ) from fault


def _config() -> Any:
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    return config


def _at_head(engine: Engine) -> bool:
    newest = max(path.name[:4] for path in (MIGRATIONS / "versions").glob("[0-9]*.py"))
    with engine.connect() as connection:
        if not inspect(connection).has_table("alembic_version"):
            return False
        return connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar() == newest
