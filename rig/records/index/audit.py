"""Whether the database still says what a run's folder says: row by row, value by value.

The folders are the record; the database is read from them. A row that was changed, added or removed by other means is
named with both values. It mends nothing (deleting an embedded database does) and judges nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Table, select

from rig.records.index import tables
from rig.records.index.rows import run_rows
from rig.records.run.stored import StoredRun
from rig.records.store import Store

NOT_COMPARED = frozenset({"home", "stamp"})  # these differ between copies of a folder and say nothing of the run


def altered_rows(store: Store, run: str) -> list[str]:
    """Differences between a run's rows and its folder, in words ("results 1 (r20_exc): estimate ..."); [] when none."""
    expected = run_rows(StoredRun(store.folder / run))
    index = store.index
    differences = []
    for table in tables.OF_A_RUN:
        query = select(table).where(table.c.home == index.home, table.c.run == run)
        differences += _compare(table, index.database.rows(query), expected.get(table.name, []))
    return differences


def _compare(table: Table, found: Sequence[dict[str, Any]], expected: Sequence[dict[str, Any]]) -> list[str]:
    keys = [column.name for column in table.primary_key if column.name not in ("home", "run")]
    held, wanted = ({tuple(row[key] for key in keys): row for row in rows} for rows in (found, expected))
    differences = []
    for key in dict.fromkeys((*wanted, *held)):
        name = " ".join([table.name, *(str(part) for part in key)])
        if key not in held or key not in wanted:
            differences.append(f"{name}: {'missing in' if key not in held else 'only in'} the database")
            continue
        label = f"{name} ({wanted[key]['measurand']})" if "measurand" in wanted[key] else name
        differences += [
            f"{label}: {column} is {held[key][column]!r} in the database, {value!r} in the folder"
            for column, value in wanted[key].items()
            if column not in NOT_COMPARED and (value or None) != (held[key][column] or None)
        ]
    return differences
