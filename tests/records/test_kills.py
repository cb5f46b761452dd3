"""Killed at random moments: nothing acknowledged is lost, nothing half-written is taken for whole."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from kill_moments import altered_home, broken_promises, kill_one
from records_samples import a_header, a_judgement
from sqlalchemy import text

from rig.records.index.audit import altered_rows
from rig.records.index.database import VARIABLE
from rig.records.store import Store


def test_killed_at_random_moments(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Eight kills into one home: every acknowledgement holds, every run is listed, the database fits the folders."""
    monkeypatch.delenv(VARIABLE, raising=False)
    acknowledged = [words for seed in range(8) for words in kill_one(tmp_path, seed)]
    assert len(acknowledged) > 5
    assert broken_promises(tmp_path, acknowledged) == []
    store = Store(tmp_path)
    assert {f.run for f in store.list()} == set(store.ids())
    assert altered_home(store) == {}


def test_a_changed_row_is_found_and_named(engine_home: Path) -> None:
    """One digit of a result, an outcome, or a vanished line: the table, the line and both values are told."""
    store = Store(engine_home)
    run = store.begin(a_header())
    stored = store.finish(run, judgement=a_judgement())
    assert altered_home(store) == {}

    def altered(statement: str) -> list[str]:
        with store.index.database.writing() as connection:
            connection.execute(text(statement))
        found = altered_rows(store, stored.id)
        store.index.put(stored.id)
        return found

    assert altered("UPDATE results SET estimate = 9.02 WHERE measurand = 'r20_exc'") == [
        "results 1 (r20_exc): estimate is 9.02 in the database, 9.01 in the folder"
    ]
    assert altered("UPDATE runs SET outcome = 'undecided'") == [
        "runs: outcome is 'undecided' in the database, 'within limits' in the folder"
    ]
    assert altered("DELETE FROM results WHERE line = 2") == ["results 2: missing in the database"]
    assert altered("UPDATE results SET line = 7 WHERE line = 2") == [
        "results 2: missing in the database",
        "results 7: only in the database",
    ]
    record = stored.path / "run.json"
    data = json.loads(record.read_bytes())
    data["note"] = "changed"
    record.write_text(json.dumps(data))
    assert altered_home(store) == {
        stored.id: ["runs: note is '' in the database, 'changed' in the folder"],
    }


class Killed(Exception):
    """What a kill between the file and the index looks like to the code."""


def test_a_kill_between_file_and_index_leaves_a_run_that_is_read_anew(
    engine_home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A judgement that was written just before the kill is in the next listing's rows."""
    store = Store(engine_home)
    run = store.finish(store.begin(a_header()), judgement=a_judgement()).id
    assert altered_home(store) == {}

    def killed(*_: object) -> None:
        raise Killed

    with monkeypatch.context() as patched, pytest.raises(Killed):
        patched.setattr(type(store.index), "put", killed)
        store.add_judgement(run, a_judgement("undecided", 9.5))
    assert altered_home(Store(engine_home)) == {}
