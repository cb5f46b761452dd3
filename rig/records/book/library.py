"""A part number's library of known-good units in the shop's book: units in and out, limits approved; only ever added.

    good-unit, withdrawn-unit, learned-limits     entries of <home>/book (book.py), numbered and chained within a part

Each entry names the SHA-256 of the file before it (`previous`), so that one which was changed or taken out shows.
It knows no statistics and judges nothing: what a unit teaches and what a version says are handed in.
"""

from __future__ import annotations

import fcntl
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from rig.errors import RecordError
from rig.records.book.entries import read_entry
from rig.records.book.jobs import Book
from rig.records.files import sha256_of

if TYPE_CHECKING:
    from rig.records.store import Store


@dataclass(frozen=True, slots=True, kw_only=True)
class GoodUnit:
    """A unit taken in. how: it is known, in words; who says so; values: measurand -> mean over `runs`, in its unit.

    U: measurand -> largest expanded uncertainty over `runs`, over re-clamping where that is known.
    rotor: "own" or "shop master". frequency_hz, level_v_rms: the excitation that its part file asks for.
    """

    part: str
    serial: str
    how: str
    who: str
    runs: tuple[str, ...]
    values: Mapping[str, float]
    U: Mapping[str, float]
    frequency_hz: float
    level_v_rms: float
    rotor: str = "own"
    simulated: bool = False
    at_utc: str = ""
    n: int = 0
    previous: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class WithdrawnUnit:
    """A unit taken out again for a stated reason; its entry stays."""

    part: str
    serial: str
    why: str
    who: str
    at_utc: str = ""
    n: int = 0
    previous: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LearnedLimits:
    """A version that a person approved. rule: coverage, confidence, approve_n. units: what each teacher taught then.

    limits: as limits of a part file; rejected: share of good parts that all lines together reject (0 to 1).
    """

    part: str
    version: int
    who: str
    rule: Mapping[str, Any]
    units: Sequence[Mapping[str, Any]]
    limits: Sequence[Mapping[str, Any]]
    rejected: float
    flagged: Mapping[str, str] = field(default_factory=dict)
    frequency_hz: float = 0.0
    level_v_rms: float = 0.0
    simulated: bool = False
    at_utc: str = ""
    n: int = 0
    previous: str = ""


LibraryEntry = GoodUnit | WithdrawnUnit | LearnedLimits
KINDS: Mapping[str, type[GoodUnit] | type[WithdrawnUnit] | type[LearnedLimits]] = {
    "good-unit": GoodUnit,
    "withdrawn-unit": WithdrawnUnit,
    "learned-limits": LearnedLimits,
}
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
            fcntl.flock(lock, fcntl.LOCK_EX)
            yield

    def add(self, entry: E) -> E:
        """Add an entry as the next of its part; call it under `turn`. Raises RecordError when the disk refuses."""
        chain = self._chain(entry.part)
        last = sha256_of(chain[-1][1]) if chain else ""
        return self.book.add(KIND_OF[type(entry)], replace(entry, n=len(chain) + 1, previous=last), "at_utc")

    def _files(self) -> list[Path]:
        return sorted(path for kind in KINDS for path in self.book.folder.glob(f"*-{kind}-*.json"))

    def _chain(self, part: str) -> list[tuple[LibraryEntry, Path]]:
        read = [(read_entry(path), path) for path in self._files()]
        own = [(_entry(told, path), path) for told, path in read if told["data"].get("part") == part]
        own.sort(key=lambda pair: pair[0].n)
        before = ""
        for n, (entry, path) in enumerate(own, start=1):
            if entry.n != n or entry.previous != before:
                raise RecordError(
                    f"{path}: the library of {part} is broken: an entry before it is missing or was changed.",
                    next_action="Restore the book from a copy; until then nothing is judged by this library.",
                )
            before = sha256_of(path)
        return own


def _entry(told: Mapping[str, Any], path: Path) -> LibraryEntry:
    data = dict(told["data"])
    if "runs" in data:
        data["runs"] = tuple(data["runs"])
    made = KINDS[told["kind"]]
    known = {f.name for f in fields(made)}
    try:
        return made(**{key: value for key, value in data.items() if key in known})
    except TypeError as fault:
        raise RecordError(f"{path}: incomplete ({fault}).", next_action="Restore it from a copy.") from fault
