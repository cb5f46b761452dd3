"""Lots in the shop's book: entries of each lot numbered and chained, severities and outcomes; only ever added.

It knows no run and judges nothing; what the entries come to is worked out in rig/review/lots.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any, TypeVar

from rig.errors import UsageError
from rig.records.book.chain import next_of, read_chain
from rig.records.book.entries import load_data, read_entries
from rig.records.book.jobs import Book
from rig.records.book.lot_entries import (
    OF_A_LOT,
    FittingOutcome,
    LotDecision,
    LotEntry,
    LotOpened,
    SeverityAct,
)
from rig.records.store import Store
from rig.system import take_lock

KIND_OF: Mapping[type, str] = {made: kind for kind, made in OF_A_LOT.items()}
E = TypeVar("E", bound=LotEntry)


class LotBook:
    """The lots of a store's home."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.book = Book(store)

    def entries(self, lot: str) -> list[Any]:
        """All entries of a lot, oldest first; [] for one that nobody opened. Raises RecordError for a broken chain."""
        return [entry for entry, _ in self._chain(lot)]

    def existing_entries(self, lot: str) -> list[Any]:
        """The same; raises UsageError for a lot that nobody opened."""
        found = self.entries(lot)
        if not found:
            names = ", ".join(self.names()[-5:]) or "none yet"
            raise UsageError(f"no lot {lot!r}.", next_action=f"Open it with `anglewright lot open`; known: {names}.")
        return found

    @contextmanager
    def turn(self) -> Iterator[None]:
        """One writer at a time: look and add under it."""
        self.store.home.mkdir(parents=True, exist_ok=True)
        with (self.store.home / "lots.lock").open("w") as lock:
            take_lock(lock)
            yield

    def add(self, entry: E) -> E:
        """Add an entry as the next of its lot; call it under `turn`. Raises RecordError when the disk refuses."""
        made: E = next_of(self._chain(entry.lot), entry)
        return self.book.add(KIND_OF[type(entry)], made, "at_utc")

    def names(self) -> list[str]:
        """Names of all lots, in the order in which they were opened."""
        return list(dict.fromkeys(lot.lot for lot in self.opened()))

    def opened(self) -> list[LotOpened]:
        """The first entry of every opening, oldest first."""
        return [load_data("lot-opened", data, str(p)) for p, data in read_entries(self.book.folder, "lot-opened")]

    def series(self) -> list[LotDecision | SeverityAct]:
        """Every decision about a lot and every act on a severity, in the order in which they were entered."""
        found = [
            (path.name, load_data(kind, data, str(path)))
            for kind in ("lot-decision", "severity")
            for path, data in read_entries(self.book.folder, kind)
        ]
        return [entry for _, entry in sorted(found, key=lambda pair: pair[0])]

    def outcomes(self, part: str) -> list[FittingOutcome]:
        """What became of fitted units of a part number, oldest first."""
        found = [load_data("outcome", data, str(p)) for p, data in read_entries(self.book.folder, "outcome")]
        return [outcome for outcome in found if outcome.part == part]

    def _chain(self, lot: str) -> list[tuple[Any, Any]]:
        return read_chain(self.book.folder, OF_A_LOT, lambda data: data.get("lot") == lot, f"lot {lot}")
