"""Fixtures of the records room; every test that takes `engine_home` runs on SQLite and on PostgreSQL."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import count
from pathlib import Path

import postgres_server
import pytest

from rig.records.index.database import VARIABLE
from rig.records.store import Store

NUMBERS = count()


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Store:
    monkeypatch.delenv(VARIABLE, raising=False)
    return Store(tmp_path / "home")


@pytest.fixture(scope="session")
def server() -> Iterator[postgres_server.Server]:
    started = postgres_server.start()
    if isinstance(started, str):
        pytest.skip(f"NOT RUN on PostgreSQL: {started}")
    yield started
    started.close()


@pytest.fixture(params=["sqlite", "postgresql"])
def engine_home(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A home whose database is an embedded file, or one on a server."""
    monkeypatch.delenv(VARIABLE, raising=False)
    if request.param == "postgresql":
        server: postgres_server.Server = request.getfixturevalue("server")
        monkeypatch.setenv(VARIABLE, server.new_database(f"test_{next(NUMBERS)}"))
    return tmp_path / "home"
