"""Whether the database still says what the folders say: row by row, value by value, for one run or for a whole home.

The folders are the record; the database is read from them. A row that was changed, added or taken away by other hands
is named with both values. It mends nothing (deleting an embedded database does) and judges nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sqlalchemy import Table, select

from rig.records.index import tables
from rig.records.index.rows import rows_of
from rig.records.run.stored import StoredRun

if TYPE_CHECKING:
    from rig.records.store import Store

FLEETING = frozenset({"home", "stamp", "written_utc"})  # differ between copies of a folder and say nothing of the run


def altered_rows(store: Store, run: str) -> list[str]:
    """Differences between a run's rows and its folder, in words ("results r20_exc: estimate ..."); [] when none."""
    rows = rows_of(StoredRun(store.folder / run))
    found = []
    for table in tables.OF_A_RUN:
        keys = [column.name for column in table.primary_key if column.name not in ("home", "run")]
        kept = _by_key(_kept(store, table, run), keys)
        told = _by_key([{c.name: row.get(c.name) for c in table.c} for row in rows.get(table.name, [])], keys)
        for key in dict.fromkeys((*told, *kept)):
            name = " ".join([table.name, *(str(part) for part in key)])
            if key not in kept or key not in told:
                found.append(f"{name}: {'missing in' if key not in kept else 'only in'} the database")
                continue
            label = f"{name} ({told[key]['measurand']})" if "measurand" in told[key] else name
            found += [
                f"{label}: {column} is {kept[key][column]!r} in the database, {value!r} in the folder"
                for column, value in told[key].items()
                if column not in FLEETING and (value or None) != (kept[key][column] or None)
            ]
    return found


def altered_home(store: Store) -> dict[str, list[str]]:
    """Run id -> what differs, for every run of the home that differs."""
    store.index.refresh()
    return {run: found for run in store.ids() if (found := altered_rows(store, run))}


def _kept(store: Store, table: Table, run: str) -> list[dict[str, Any]]:
    home = store.index.home
    return store.index.database.rows(select(table).where(table.c.home == home, table.c.run == run))


def _by_key(rows: list[dict[str, Any]], keys: list[str]) -> dict[tuple[Any, ...], dict[str, Any]]:
    return {tuple(row[key] for key in keys): row for row in rows}
