"""An extract of a register: some of its lines, each with the proof that it is in the tree of a signed head.

    make_extract(register, [entry, ...], shop=...) -> Extract      check_extract(extract, where): raises RecordError

One goes beside every report (of its own line, proof.json), one with every job and bundle; those that left the house
also prove that the register only grew since each earlier one (`before`). It knows no home.
"""

from __future__ import annotations

import binascii
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

from rig.certificate.seal.entry import RegisterEntry, load_line
from rig.certificate.seal.heads import Head
from rig.certificate.seal.merkle import (
    consistency_path,
    inclusion_path,
    is_consistent,
    is_included,
    leaf_hash,
    root,
)
from rig.errors import RecordError
from rig.records.schema import load

SCHEMA = "anglewright register extract 1"
ASK_AGAIN = "Ask for it again where it was issued."


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A line as it stands in the register (index from 0) and the hashes from it to the head's root."""

    index: int
    line: str
    path: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Before:
    """An earlier state of the same register and the hashes that show that the head's tree begins with it."""

    size: int
    root: str
    path: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Extract:
    """shop: whose register. certificate: PEM of the key that signed the head, "" without one. of: what it is for."""

    shop: str
    head: Head
    lines: tuple[Line, ...]
    certificate: str = ""
    before: tuple[Before, ...] = ()
    of: str = ""
    made_utc: str = ""
    schema: str = field(default=SCHEMA)

    @property
    def entries(self) -> list[RegisterEntry]:
        """Its lines as entries, in the register's order."""
        return [load_line(line.line.encode())[1] for line in sorted(self.lines, key=lambda one: one.index)]


def make_extract(
    lines: Sequence[bytes],
    leaves: Sequence[bytes],
    wanted: Callable[[RegisterEntry], bool],
    *,
    head: Head,
    shop: str,
    certificate: bytes = b"",
    earlier: Iterable[Head] = (),
    of: str = "",
) -> Extract:
    """The lines that are wanted, proven to be in the head's tree; a damaged line is left out.

    lines, leaves: of the whole register. earlier: heads that left the house before.
    """
    whole = leaves[: head.size]
    found = []
    for index, line in enumerate(lines[: head.size]):
        try:
            entry = load_line(line)[1]
        except RecordError:
            continue
        if wanted(entry):
            path = tuple(step.hex() for step in inclusion_path(whole, index))
            found.append(Line(index=index, line=line.decode(), path=path))
    sizes = sorted({one.size for one in earlier if 0 < one.size <= head.size})
    return Extract(
        shop=shop,
        head=head,
        lines=tuple(found),
        certificate=certificate.decode() if head.signature else "",
        before=tuple(
            Before(
                size=size,
                root=root(whole[:size]).hex(),
                path=tuple(step.hex() for step in consistency_path(whole, size)),
            )
            for size in sizes
        ),
        of=of,
        made_utc=head.at_utc,
    )


def load_extract(data: Any, where: str) -> Extract:
    """An extract from its JSON, checked. Raises RecordError naming what does not fit."""
    extract = load(Extract, data, where, SCHEMA, next_action=ASK_AGAIN)
    check_extract(extract, where)
    return extract


def check_extract(extract: Extract, where: str) -> None:
    """Raises RecordError for a line that is not in the head's tree, a head that does not continue an earlier one, or a
    signature that is not of the certificate."""
    head = extract.head
    try:
        wanted = bytes.fromhex(head.root)
        for one in extract.lines:
            steps = [bytes.fromhex(step) for step in one.path]
            if not is_included(leaf_hash(one.line.encode()), one.index, head.size, steps, wanted):
                raise _wrong(where, f"line {one.index + 1} is not in the register of its tree head")
            load_line(one.line.encode())
        for earlier in extract.before:
            steps = [bytes.fromhex(step) for step in earlier.path]
            if not is_consistent(earlier.size, head.size, bytes.fromhex(earlier.root), wanted, steps):
                raise _wrong(where, f"the register does not continue its own first {earlier.size} lines")
        if extract.certificate and not head.is_signed_by(extract.certificate.encode()):
            raise _wrong(where, "the tree head is not signed by the certificate that came with it")
        if head.signature and not extract.certificate:
            raise _wrong(where, "the tree head is signed and no certificate came with it")
    except (ValueError, binascii.Error) as fault:
        raise _wrong(where, f"a hash or text in it can't be read ({fault})") from fault


def _wrong(where: str, what: str) -> RecordError:
    return RecordError(f"{where}: {what}.", next_action=ASK_AGAIN)
