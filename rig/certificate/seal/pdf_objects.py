"""A PDF looked into without a PDF library: what is attached, and in which of its objects two files differ.

Enough for files of our own (PDF 1.7 without object streams, as Typst writes them): objects by number, streams inflated.
It shows nothing and trusts nothing; what it can't read it leaves out. Source: ISO 32000-1, 7.3.8, 7.3.10, 7.7.3.
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Iterator

OBJECT = re.compile(rb"(?<![0-9])(\d{1,7}) 0 obj\b(.*?)\bendobj\b", re.DOTALL)
STREAM = re.compile(rb"stream\r?\n(.*?)\r?\nendstream", re.DOTALL)


def objects(pdf: bytes) -> dict[int, bytes]:
    """Object number -> its bytes, a stream inflated behind its dictionary; the last of several wins."""
    return {int(number): _open(body) for number, body in OBJECT.findall(pdf)}


def attachments(pdf: bytes) -> Iterator[bytes]:
    """The content of every embedded file."""
    for _, body in OBJECT.findall(pdf):
        if b"/EmbeddedFile" in body.partition(b"stream")[0] and (found := STREAM.search(body)):
            yield _inflate(found[1])


def places(kept: bytes, given: bytes) -> list[str]:
    """Where two versions of one PDF differ, in words: pages, attachments, other objects; [] for the same objects."""
    was, now = objects(kept), objects(given)
    changed = [n for n in sorted({*was, *now}) if was.get(n) != now.get(n)]
    pages = _pages(was)
    found = [pages.get(n) or _kind(n, was.get(n, now.get(n, b""))) for n in changed]
    return list(dict.fromkeys(found))


def _pages(held: dict[int, bytes]) -> dict[int, str]:
    """Object number -> 'page n' for pages and what they draw."""
    order = [int(n) for body in held.values() if re.search(rb"/Type\s*/Pages\b", body) for n in _kids(body)]
    named: dict[int, str] = {}
    for n, number in enumerate((k for k in order if b"/Kids" not in held.get(k, b"")), start=1):
        named[number] = f"page {n}"
        for contents in re.findall(rb"/Contents\s*\[?\s*((?:\d+ 0 R\s*)+)", held.get(number, b"")):
            named |= {int(c): f"page {n}" for c in re.findall(rb"(\d+) 0 R", contents)}
    return named


def _kids(body: bytes) -> list[bytes]:
    kids = re.search(rb"/Kids\s*\[(.*?)\]", body, re.DOTALL)
    return re.findall(rb"(\d+) 0 R", kids[1]) if kids else []


def _kind(number: int, body: bytes) -> str:
    head = body.partition(b"stream")[0]
    for mark, words in ((b"/EmbeddedFile", "an attached file"), (b"/Metadata", "the metadata"), (b"/Font", "a font")):
        if mark in head:
            return words
    return f"object {number}"


def _open(body: bytes) -> bytes:
    found = STREAM.search(body)
    return body if found is None else body[: found.start()] + b"stream\n" + _inflate(found[1])


def _inflate(raw: bytes) -> bytes:
    try:
        return zlib.decompress(raw)
    except zlib.error:
        return raw
