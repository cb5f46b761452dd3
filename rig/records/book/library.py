"""A part number's library of known-good units in the shop's book: units in and out, limits approved; only ever added.

    good-unit, withdrawn-unit, learned-limits     entries of <home>/book, numbered and chained within a part

Each entry names the SHA-256 of the file before it (`previous`), so that one which was changed or taken out shows.
It knows no statistics and judges nothing: what a unit teaches and what a version says are handed in.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

from rig.records.book.chain import next_of, read_chain
from rig.records.book.entries import OF_A_KIND, GoodUnit, LearnedLimits, WithdrawnUnit, read_entries
from rig.records.book.jobs import Book
from rig.records.store import Store
from rig.system import take_lock

LibraryEntry = GoodUnit | WithdrawnUnit | LearnedLimits
KINDS: Mapping[str, Any] = {kind: OF_A_KIND[kind] for kind in ("good-unit", "withdrawn-unit", "learned-limits")}
KIND_OF = {made: kind for kind, made in KINDS.items()}
E = TypeVar("E", GoodUnit, WithdrawnUnit, LearnedLimits)


class LibraryBook:
    """The libraries of a store's home."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.book = Book(store)

    def entries(self, part: str) -> list[LibraryEntry]:
        """All entries of a part number, oldest first. Raises RecordError for a damaged, changed or missing one."""
        return [entry for entry, _ in self._chain(part)]

    @contextmanager
    def turn(self) -> Iterator[None]:
        """One writer at a time: look and add under it."""
        self.store.home.mkdir(parents=True, exist_ok=True)
        with (self.store.home / "library.lock").open("w") as lock:
            take_lock(lock)
            yield

    def add(self, entry: E) -> E:
        """Add an entry as the next of its part; call it under `turn`. Raises RecordError when the disk refuses."""
        made: E = next_of(self._chain(entry.part), entry)
        return self.book.add(KIND_OF[type(entry)], made, "at_utc")

    def summaries(self) -> list[dict[str, Any]]:
        """Part numbers that have a library: entries, newest approved version, who approved it."""
        parts = {str(data.get("part")) for kind in KINDS for _, data in read_entries(self.book.folder, kind)}
        return [_summary(part, self.entries(part)) for part in sorted(parts)]

    def _chain(self, part: str) -> list[tuple[LibraryEntry, Path]]:
        return read_chain(self.book.folder, KINDS, lambda data: data.get("part") == part, f"the library of {part}")


def _summary(part: str, entries: Sequence[LibraryEntry]) -> dict[str, Any]:
    newest = next((entry for entry in reversed(entries) if isinstance(entry, LearnedLimits)), None)
    return {
        "part": part,
        "entries": len(entries),
        "simulated": any(not isinstance(entry, WithdrawnUnit) and entry.simulated for entry in entries),
        "version": newest.version if newest else None,
        "approved_by": newest.who if newest else "",
        "approved_utc": newest.at_utc if newest else "",
    }
