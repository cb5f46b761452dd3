"""The database: one schema on both engines, migrations that lose nothing, transactions that are whole or absent."""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from records_samples import a_header, a_judgement
from sqlalchemy import select, text

from rig.errors import RecordError, UsageError
from rig.records.book.entries import Job
from rig.records.book.jobs import Book
from rig.records.index import tables
from rig.records.index.database import VARIABLE, Database, _engine, database_url, migrate
from rig.records.index.history import History
from rig.records.store import Store

OPENER = """
import sys
from pathlib import Path
from rig.records.index.database import Database, database_url
with Database(database_url(Path(sys.argv[1]))).reading() as c:
    print(c.exec_driver_sql("SELECT version_num FROM alembic_version").scalar())
"""


def a_database(home: Path) -> Database:
    return Database(database_url(home))


def test_the_migrations_end_at_the_tables_of_the_program(engine_home: Path) -> None:
    """A database brought up by migrations alone differs in nothing from what tables.py says."""
    with a_database(engine_home).reading() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, tables.METADATA) == []


def test_an_older_database_is_brought_forward_with_its_rows(engine_home: Path) -> None:
    """Rows written under the first schema are still there under the newest."""
    engine_home.mkdir()
    url = database_url(engine_home)
    engine = _engine(url)
    migrate(engine, "0001")
    row = {"home": "h", "run": "20260101-000000-abcd", "serial": "S", "simulated": True, "closed": True}
    with engine.execution_options(writes=True).begin() as connection:
        connection.execute(tables.RUNS.insert().values(**row))
    engine.dispose()
    database = Database(url)
    assert database.rows(select(tables.RUNS.c.run)) == [{"run": row["run"]}]
    assert database.rows(select(tables.JOBS)) == []
    database.close()


def test_a_newer_database_is_refused_untouched(engine_home: Path) -> None:
    """A schema that a later program wrote is told by name, and nothing is changed."""
    database = a_database(engine_home)
    with database.writing() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    database.close()
    with pytest.raises(RecordError, match="9999"):
        a_database(engine_home).rows(select(tables.RUNS))


def test_a_fault_inside_a_transaction_keeps_none_of_it(engine_home: Path) -> None:
    """Half a transaction is no transaction."""
    database = a_database(engine_home)
    mark = {"home": "h", "name": "n", "value": "1"}
    with pytest.raises(RecordError, match="refused"), database.writing() as connection:
        connection.execute(tables.MARKS.insert().values(**mark))
        connection.execute(tables.MARKS.insert().values(**mark))
    assert database.rows(select(tables.MARKS)) == []
    database.close()


def test_two_programs_open_a_new_database_at_once(engine_home: Path) -> None:
    """The schema is made once however many begin together."""
    words = [sys.executable, "-c", OPENER, str(engine_home)]
    engine_home.mkdir()
    opened = [subprocess.Popen(words, stdout=subprocess.PIPE, text=True) for _ in range(3)]
    assert [p.communicate(timeout=60)[0].strip() for p in opened] == ["0005"] * 3


def test_the_embedded_database_is_durable(store: Store) -> None:
    """Write-ahead log, and a commit waits for the disk."""
    with store.index.database.reading() as connection:
        assert connection.exec_driver_sql("PRAGMA journal_mode").scalar() == "wal"
        assert connection.exec_driver_sql("PRAGMA synchronous").scalar() == 2
    with sqlite3.connect(store.home / "anglewright.sqlite") as raw:
        assert raw.execute("PRAGMA quick_check").fetchone() == ("ok",)
    raw.close()


@pytest.mark.parametrize("url", ["mysql://root@localhost/x", "::", "sqlite://", "oracle:x"])
def test_a_url_that_can_not_be_ours_is_a_usage_error(url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Only SQLite files and PostgreSQL; the message says what to write."""
    monkeypatch.setenv(VARIABLE, url)
    with pytest.raises(UsageError, match=VARIABLE):
        database_url(tmp_path)


def test_an_unreachable_server_loses_no_run_and_shows_no_password(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The run is closed in its folder; the listing names the server without the password; once back, all is listed."""
    pytest.importorskip("psycopg", reason="NOT RUN: psycopg is not installed")
    monkeypatch.setenv(VARIABLE, f"postgresql://u:secret@/x?host={tmp_path}")
    store = Store(tmp_path / "home")
    run = store.begin(a_header())
    stored = store.finish(run, judgement=a_judgement())
    assert stored.record is not None
    with pytest.raises(RecordError, match="not reached") as told:
        store.list()
    assert "secret" not in str(told.value)
    monkeypatch.delenv(VARIABLE)
    assert [f.run for f in Store(tmp_path / "home").list()] == [run.id]


def test_a_foreign_file_stays_untouched(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file that the variable names and that is no database, or another program's, is refused by name, byte for byte
    as it was; the runs stay safe in their folders."""
    store = Store(tmp_path / "home")
    run = store.finish(store.begin(a_header()), judgement=a_judgement())
    letter, other = tmp_path / "letter.txt", tmp_path / "other.sqlite"
    letter.write_text("Dear customer, " * 1000)
    with sqlite3.connect(other) as raw:
        raw.execute("CREATE TABLE addresses (name TEXT)")
    raw.close()
    for file in (letter, other):
        before = file.read_bytes()
        monkeypatch.setenv(VARIABLE, f"sqlite:///{file}")
        with pytest.raises(RecordError, match=rf"{file.name}: is no database of this program"):
            Store(store.home).list()
        assert file.read_bytes() == before
        assert sorted(path.name for path in tmp_path.iterdir()) == ["home", "letter.txt", "other.sqlite"]
    monkeypatch.delenv(VARIABLE)
    assert [f.run for f in Store(store.home).list()] == [run.id]


def test_a_damaged_entry_of_the_book_is_one_row_and_hides_nothing(engine_home: Path) -> None:
    """One entry that can't be read is a row with its fault; runs and other entries are listed as before."""
    store = Store(engine_home)
    run = store.finish(store.begin(a_header()), judgement=a_judgement())
    book = Book(store)
    book.open_job(Job(job="J1", customer="c"))
    broken = book.folder / "20260101-000000-000000-intake-abcd.json"
    shape = {"schema": "anglewright entry 1", "kind": "intake", "made_utc": "", "data": {"job": 7}}
    for content in (b"{", b'{"a": 1, "a": 2}', json.dumps(shape).encode()):
        broken.write_bytes(content)
        store.index.database.close()
        again = Store(engine_home)
        with again.index.database.writing() as connection:
            connection.execute(tables.ENTRIES.delete())
            connection.execute(tables.MARKS.delete())
        assert [f.run for f in again.list()] == [run.id]
        job = History(again).job("J1")["job"]
        assert job is not None and job["customer"] == "c"
        t = tables.ENTRIES
        (row,) = again.index.database.rows(select(t).where(t.c.kind == "damaged"))
        assert row["entry"] == broken.stem and str(broken) in row["made_utc"]
        again.index.database.close()
