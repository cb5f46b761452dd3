"""Blocks of bytes behind a `#` header, read by their length, never by a terminator.

The link is dirty from the first byte to the last, whatever breaks in between.
Source: IEEE 488.2-1992, 8.7.9 and 8.7.10 (definite and indefinite length arbitrary block response data).
"""

from __future__ import annotations

import re

from drivers import scpi
from drivers.link.base import Link
from rig.errors import BadReply, NoReply

END_S = 0.05
LABEL_BYTES = 32


def read_block(link: Link, message: str, deadline_s: float, expected: int | None = None, label: str = "") -> bytes:
    """The bytes of one block, definite or indefinite. expected: how many, where the asker knows.

    label: a pattern for the text unit in front of the block, which ties it to its own question; without it a block
    that came twice, the second time late, would be taken for the answer to the next question.
    deadline_s: without any progress. BadReply for a header that is none, another label or bytes behind the end,
    NoReply for a part.
    """
    link.dirty = True
    if label:
        _write_labelled(link, message, deadline_s, label)
    head = link.read_exact(2, deadline_s)
    if head == b"#0" and expected is None:
        return _indefinite(link, deadline_s)
    if head == b"#0":
        data = link.read_exact(expected or 0, deadline_s)
    elif head[:1] != b"#" or not head[1:].isdigit():
        raise BadReply(f"{(head + link.drain())[:16]!r} where a block was expected", exchange=message)
    else:
        n = scpi.block_length(head + link.read_exact(int(head[1:]), deadline_s)) or 0
        data = link.read_exact(n, deadline_s)
    _end(link, message)
    return data


def _write_labelled(link: Link, message: str, deadline_s: float, label: str) -> None:
    front = b""
    while not front.endswith(b";"):
        front += link.read_exact(1, deadline_s)
        if front[:1] == b"#" or len(front) > LABEL_BYTES:
            break
    text = front.removesuffix(b";").decode("latin-1").strip()
    if not re.fullmatch(label, text, re.IGNORECASE):
        raise BadReply(f"{text!r} in front of a block where {label} was expected", exchange=message)


def _end(link: Link, message: str) -> None:
    """An optional end of line: some families send none after a block."""
    rest = link.poll_line(0.0)
    if rest is None:
        rest = link.poll_line(END_S)
    if rest:
        raise BadReply(f"{rest[:16]!r} behind the end of a block", exchange=message)
    link.dirty = link.surplus()


def _indefinite(link: Link, deadline_s: float) -> bytes:
    """Up to a line feed that nothing follows: the bytes may hold line feeds of their own."""
    data = link.read_exact(1, deadline_s)
    while True:
        rest = link.drain(END_S, 10.0 * deadline_s)
        data += rest
        if data.endswith(b"\n"):
            link.dirty = False
            return data.removesuffix(b"\n")
        if not rest:
            raise NoReply(f"an indefinite block of {len(data)} bytes without an end")
