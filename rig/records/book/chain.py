"""Entries of the book that are numbered and chained among themselves: an entry that was changed or taken out shows.

Each names the SHA-256 of the file before it (`previous`) and its own number (`n`). It knows no kind of entry.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from rig.errors import RecordError
from rig.records.book.entries import load_data, read_entries
from rig.records.files import sha256_of


def read_chain(
    folder: Path, kinds: Iterable[str], own: Callable[[Mapping[str, Any]], bool], what: str
) -> list[tuple[Any, Path]]:
    """Records of these kinds that are `own`, oldest first, each with its file. what: the chain's name in the message.

    Raises RecordError for a damaged one, and for one before which an entry is missing or was changed.
    """
    found = [
        (load_data(kind, data, str(path)), path)
        for kind in kinds
        for path, data in read_entries(folder, kind)
        if own(data)
    ]
    found.sort(key=lambda pair: pair[0].n)
    before = ""
    for n, (entry, path) in enumerate(found, start=1):
        if entry.n != n or entry.previous != before:
            raise RecordError(
                f"{path}: {what} is broken: an entry before it is missing or was changed.",
                next_action="Restore the book from a copy; until then nothing is judged by it.",
            )
        before = sha256_of(path)
    return found


def next_of(chain: list[tuple[Any, Path]], entry: Any) -> Any:
    """The entry as the next of its chain."""
    return replace(entry, n=len(chain) + 1, previous=sha256_of(chain[-1][1]) if chain else "")
