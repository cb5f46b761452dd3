"""Codes from a scanner and single keys from a hand, told apart by their timing; nothing here arms or starts anything.

A burst (characters no further apart than the scanner's gap, ended by Enter) or a code with the configured prefix is a
scan; one character alone is a key. Printable characters only, 64 at most; separators inside a code stay. Without a
terminal each line of standard input is a scan, and a line of one character a key.
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass

from rig.system import single_characters, typed_character, typed_within

LONGEST = 64
KEY_ALONE_S = 0.25  # silence after one character that makes it a key
SEPARATORS = "\x1d\x1e"  # of structured codes (ISO/IEC 15434); shown as |
END = "\r\n"


@dataclass(frozen=True, slots=True)
class Entry:
    """kind: "scan", "key" or "end" (the input is over)."""

    kind: str
    text: str = ""


def read_entry(gap_ms: float, shortest: int, prefix: str = "") -> Entry:
    """The next scan or key. A slow line that is no scan is passed over: typing has a key of its own."""
    if not sys.stdin.isatty():
        return _read_pipe()
    with single_characters():
        while True:
            entry = _next(gap_ms / 1000.0, shortest, prefix)
            if entry is not None:
                return entry


def read_line() -> str:
    """A line typed by hand; "" at the end of the input."""
    return _clean(sys.stdin.readline().strip("\r\n"))


def _read_pipe() -> Entry:
    line = sys.stdin.readline()
    if not line:
        return Entry("end")
    text = _clean(line.strip("\r\n"))
    return Entry("key", text.lower()) if len(text) == 1 else Entry("scan", text)


def _next(gap_s: float, shortest: int, prefix: str) -> Entry | None:
    text, widest, last_s = "", 0.0, 0.0
    while True:
        if text and not typed_within(max(KEY_ALONE_S, 4.0 * gap_s)):
            if len(text) == 1:
                return Entry("key", text.lower())
            if not _fits(text, prefix):  # typed slowly, or a code without its end
                return None
            continue
        letter = typed_character()
        now_s = time.monotonic()
        if not letter:
            return Entry("end")
        widest, last_s = max(widest, now_s - last_s if text else 0.0), now_s
        if letter in END:
            if not text:
                continue
            if len(text) == 1:
                return Entry("key", text.lower())
            quick = len(text) >= shortest and widest <= gap_s
            return Entry("scan", _clean(text)) if quick or _fits(text, prefix) else None
        text += letter


def _fits(text: str, prefix: str) -> bool:
    return bool(prefix) and text.startswith(prefix)


def _clean(text: str) -> str:
    """Printable characters and the separators of structured codes (as |), 64 at most."""
    shown = "".join("|" if c in SEPARATORS else c for c in text)
    return "".join(c for c in shown if c.isprintable())[:LONGEST]
