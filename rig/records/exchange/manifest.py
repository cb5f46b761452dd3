"""A whole job in one file, to hand to a customer, an expert or another bench: written with hashes, checked when read.

    <job>.zip    runs/<id>/... (every file of every closed run)   book/<entry>.json   register/<log>-<root>.json
                 names/<token>.json (the customers that these refer to)
                 manifest.json (schema, hashes)   manifest.sig (the shop's signature over it, where it has a key)

Nothing enters a home before everything fits: every hash of the archive, every run's own hashes, records and entries in
their schema, the register's lines (checked by whoever calls: they belong to a floor above), all within size limits.
Then the staged folder is renamed to <home>/import/<name>.accepted, which decides it: killed before, nothing of it comes
in; killed after, the rest comes in at the next start (`settle_imports`). A run that is there already with the same
bytes is known; with other bytes the whole import is refused. It judges nothing.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from typing import IO

SCHEMA = "anglewright job 1"
MANIFEST = "manifest.json"
SIGNATURE = "manifest.sig"
REGISTERS = "registers"  # folder of a home: extracts of other homes' registers, as they came
INSIDE = re.compile(
    r"(?:runs/\w+-\w+-\w+/\w[\w.-]*|book/\w[\w.-]*\.json|register/\w[\w.-]*\.(?:json|pem)|names/[0-9a-f]{24}\.json)"
)
PIECE = 1 << 20
MOST_FILES = 100_000
MOST_BYTES = 64 << 30  # of a whole archive, unpacked


@dataclass(frozen=True, slots=True, kw_only=True)
class Manifest:
    """What a job file says of itself. files: name inside -> sha256 (hex)."""

    job: str
    files: dict[str, str]
    software: str = ""
    exported_utc: str = ""
    schema: str = SCHEMA


def copy_hashed(source: IO[bytes], target: IO[bytes]) -> str:
    """Copy all of it; the hex SHA-256 of what was copied."""
    digest = hashlib.sha256()
    while piece := source.read(PIECE):
        digest.update(piece)
        target.write(piece)
    return digest.hexdigest()
