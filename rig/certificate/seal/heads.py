"""Tree heads of the register: after each line, how many lines there are and the hash over all of them, signed.

    <home>/certificates.heads.jsonl    {"log", "size", "root", "at_utc", "signature", "carried_to"}

A register that is shorter than its newest head, or that no longer hashes to it, shows. Whoever can write into the home
can cut both files; what travelled (proofs beside reports, jobs, bundles) then tells. Heads are only ever added, under
the register's lock; a last line that a kill cut short is left aside. Source of the tree hash: merkle.py.
"""

from __future__ import annotations

import base64
import json
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from rig.certificate.seal.canonical import canonical
from rig.certificate.seal.merkle import root
from rig.certificate.seal.signatures import Key, is_signature_of, sign_bytes
from rig.errors import RecordError
from rig.records.files import parse_json, read_file, unwritable
from rig.records.schema import dump, load

FILE = "certificates.heads.jsonl"
SCHEMA = "anglewright tree head 1"


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """log: leaf hash of the register's first line. size: lines. root: tree hash over them (hex). signature: base64.

    carried_to: the job or bundle with which it left the house, "" for one that only stands here.
    """

    log: str
    size: int
    root: str
    at_utc: str
    signature: str = ""
    carried_to: str = ""
    schema: str = SCHEMA

    def signed(self) -> bytes:
        """What its signature is made over."""
        return canonical({"schema": self.schema, "log": self.log, "size": self.size, "root": self.root})

    def is_signed_by(self, certificate: bytes) -> bool:
        """Whether its signature is of this certificate's key (PEM)."""
        return bool(self.signature) and is_signature_of(self.signed(), base64.b64decode(self.signature), certificate)


def add(home: Path, leaves: Sequence[bytes], *, at_utc: str, key: Key | None = None, carried_to: str = "") -> Head:
    """Put down the head over these leaves. Raises RecordError when the disk refuses."""
    head = head_over(leaves, at_utc=at_utc, key=key, carried_to=carried_to)
    path = home / FILE
    try:
        with path.open("ab+") as handle:
            handle.seek(0, os.SEEK_END)
            if handle.tell() and not _ends_whole(path):
                handle.write(b"\n")
            handle.write(json.dumps(dump(head), ensure_ascii=False).encode() + b"\n")
            handle.flush()
            os.fsync(handle.fileno())
    except OSError as fault:
        raise unwritable(path, fault) from fault
    return head


def head_over(leaves: Sequence[bytes], *, at_utc: str, key: Key | None = None, carried_to: str = "") -> Head:
    """The head over leaves, signed where there is a key; it is not put down."""
    head = Head(log=leaves[0].hex(), size=len(leaves), root=root(leaves).hex(), at_utc=at_utc, carried_to=carried_to)
    if key is None:
        return head
    signature = base64.b64encode(sign_bytes(head.signed(), key)).decode()
    return Head(log=head.log, size=head.size, root=head.root, at_utc=at_utc, carried_to=carried_to, signature=signature)


def read_heads(home: Path) -> tuple[list[Head], list[str]]:
    """(heads, faults in words), oldest first; a last line without its line feed is left aside."""
    path = home / FILE
    if not path.exists():
        return [], []
    lines = read_file(path).split(b"\n")[:-1]
    found: list[Head] = []
    wrong: list[str] = []
    for n, line in enumerate(lines, start=1):
        try:
            found.append(load(Head, parse_json(line, FILE), FILE, SCHEMA))
        except RecordError:
            if line.endswith(b"}"):  # else a kill cut it short
                wrong.append(f"tree head {n} is damaged")
    return found, wrong


def faults(home: Path, leaves: Sequence[bytes], *, expected: bool) -> list[str]:
    """What the heads say against these leaves; expected: some of the lines were written with a head."""
    found, wrong = read_heads(home)
    if not found:
        return [*wrong, f"its tree heads ({FILE}) are missing"] if expected or wrong else []
    largest = max(found, key=lambda head: head.size)
    if largest.size > len(leaves):
        count = largest.size - len(leaves)
        lines = "its last line is" if count == 1 else f"its last {count} lines are"
        return [*wrong, f"{lines} missing: it held {largest.size} on {largest.at_utc[:10]}"]
    if root(leaves[: largest.size]).hex() != largest.root:
        wrong.append(f"its first {largest.size} lines are not those of its tree head of {largest.at_utc[:10]}")
    return wrong


def _ends_whole(path: Path) -> bool:
    with path.open("rb") as handle:
        handle.seek(-1, os.SEEK_END)
        return handle.read(1) == b"\n"
