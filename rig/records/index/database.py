"""One database behind one URL: opened, brought to the newest schema, read and written in whole transactions.

SQLite by default (<home>/anglewright.sqlite; write-ahead log, synchronous = full: what was committed survives a power
cut), PostgreSQL where ANGLEWRIGHT_DATABASE names one (extra `postgres`). Schema changes are Alembic migrations that
travel inside the package and run in one transaction. It knows no run and no folder; passwords never reach a message.
"""

from __future__ import annotations

import os
import weakref
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, Executable, create_engine, event, inspect, make_url, text
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError, OperationalError
from sqlalchemy.exc import DatabaseError as DriverFault

from rig.errors import RecordError, UsageError
from rig.records.files import next_free

VARIABLE = "ANGLEWRIGHT_DATABASE"
FILE = "anglewright.sqlite"
MIGRATIONS = Path(__file__).parent / "migrations"
ONE_AT_A_TIME = 0x616E676C  # key of the server's advisory lock for schema changes
BUSY_S = 30.0


def database_url(home: Path) -> URL:
    """Where the records of a home are indexed. Raises UsageError for a URL that can't be one of ours."""
    told = os.environ.get(VARIABLE, "")
    if not told:
        return URL.create("sqlite", database=str(home / FILE))
    advice = "Write postgresql://user@host/name, or leave it unset for a file in the home."
    try:
        url = make_url(told)
    except (ArgumentError, ValueError) as fault:
        raise UsageError(f"{VARIABLE} is no database URL.", next_action=advice) from fault
    if url.drivername in ("postgresql", "postgres", "postgresql+psycopg"):
        return url.set(drivername="postgresql+psycopg")
    if url.drivername == "sqlite" and url.database:
        return url
    raise UsageError(f"{VARIABLE} names {url.drivername!r}, not SQLite or PostgreSQL.", next_action=advice)


class Database:
    """The database of a URL; opened and migrated when it is first asked."""

    def __init__(self, url: URL) -> None:
        self.url = url
        self._engine: Engine | None = None

    @property
    def file(self) -> Path | None:
        """The file of an embedded database, None for a server."""
        return Path(self.url.database) if self.url.drivername == "sqlite" and self.url.database else None

    @property
    def shown(self) -> str:
        """Its name for messages, without a password."""
        return str(self.file) if self.file else self.url.render_as_string(hide_password=True)

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection whose queries see one state. Raises RecordError."""
        with self._told(), self._opened().begin() as connection:
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """One transaction: all of it is kept when the block ends, none of it after a fault. Raises RecordError."""
        with self._told(), self._opened().execution_options(writes=True).begin() as connection:
            yield connection

    def rows(self, query: Executable) -> list[dict[str, Any]]:
        """All rows of a query, each by its columns' names."""
        with self.reading() as connection:
            return [dict(row) for row in connection.execute(query).mappings()]

    def sound(self) -> bool:
        """False when an embedded database can't be read or fails its own check; a server looks after itself."""
        if self.file is None or not self.file.exists():
            return True
        try:
            with self.reading() as connection:
                return connection.exec_driver_sql("PRAGMA quick_check(1)").scalar() == "ok"
        except RecordError as fault:
            if isinstance(fault.__cause__, DriverFault) and damaged(fault.__cause__):
                return False
            raise

    def set_aside(self) -> None:
        """Move a damaged embedded database out of the way; it is kept as .damaged."""
        self.close()
        if self.file is not None and self.file.exists():
            self.file.rename(next_free(self.file.with_suffix(".damaged")))
            for tail in ("-wal", "-shm"):
                self.file.with_name(self.file.name + tail).unlink(missing_ok=True)

    def close(self) -> None:
        """Give the connections back; the next use opens again."""
        if self._engine is not None:
            self._engine.dispose()
            self._engine = None

    # ---- opening ----------------------------------------------------------------------------------------------

    def _opened(self) -> Engine:
        if self._engine is None or (self.file is not None and not self.file.exists()):
            self.close()
            if self.file is not None:
                self.file.parent.mkdir(parents=True, exist_ok=True)
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
    def _told(self) -> Iterator[None]:
        try:
            yield
        except RecordError:
            raise
        except OSError as fault:
            raise RecordError(f"{self.shown}: {fault.strerror or fault}.", next_action="Check the disk.") from fault
        except DBAPIError as fault:
            lost = isinstance(fault, OperationalError) and self.file is None
            raise RecordError(
                f"{self.shown}: the database {'is not reached' if lost else 'refused'} ({_first_line(fault)}).",
                next_action=f"Check the server and {VARIABLE}; runs stay safe in their folders."
                if self.file is None
                else "Check the disk; a damaged file may be deleted: it is rebuilt from the folders.",
            ) from fault


def damaged(fault: DriverFault) -> bool:
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
    from alembic.script import ScriptDirectory
    from alembic.util.exc import CommandError

    if revision == "head" and _at_head(engine):
        return
    from alembic import command

    config = _config()
    with engine.execution_options(writes=True).begin() as connection:
        if engine.dialect.name == "postgresql":
            connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": ONE_AT_A_TIME})
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
