"""Checks of the words in a profile: what may be said to an instrument, what an answer may look like.

A word is one message of printable ASCII. It may hold the placeholders that its key knows, may not join messages, and
may not be one that changes what an instrument keeps (calibration, stored states, security, its interfaces).
"""

from __future__ import annotations

import re
import string
from functools import partial
from typing import Annotated

from pydantic import AfterValidator

KEEPS = re.compile(
    r":?(CAL|DIAG|\*SAV|\*RCL|\*TST|\*PSC|SYST(EM)?:(SEC|COMM|PON|PASS|POS))|!?CAL|.*:STOR|.*:SAVE", re.IGNORECASE
)
ASKS = re.compile(r"\?|\b(read|get|id|ver|stat)", re.IGNORECASE)
NOBODY = ("no instrument says this ~", "", "~")  # a pattern that takes these takes anything
LONGEST = 200


def _checked_word(known: tuple[str, ...], text: str) -> str:
    if not text.strip() or len(text) > LONGEST or not text.isascii() or not text.isprintable():
        raise ValueError(f"a word is 1 to {LONGEST} printable ASCII characters")
    if ";" in text:
        raise ValueError("one message a word: no semicolon")
    if KEEPS.match(text.strip()):
        raise ValueError("a word that changes what the instrument keeps, or tests it, is not spoken by a profile")
    try:
        fields = [field for _, field, _, _ in string.Formatter().parse(text) if field is not None]
        text.format(**dict.fromkeys(known, 1))
    except (ValueError, KeyError, IndexError) as fault:
        raise ValueError(f"placeholders here: {_list_words(known)} ({fault})") from fault
    if unknown := sorted(set(fields) - set(known)):
        raise ValueError(f"unknown placeholder {{{unknown[0]}}}; here: {_list_words(known)}")
    return text


def _needing(known: tuple[str, ...], text: str) -> str:
    checked = _checked_word(known, text)
    if missing := [name for name in known if f"{{{name}" not in text]:
        raise ValueError(f"the placeholder {{{missing[0]}}} is missing")
    return checked


def _asking(known: tuple[str, ...], text: str) -> str:
    checked = _needing(known, text)
    if not ASKS.search(text):
        raise ValueError("is no question: it needs a question mark, or a word such as read or get")
    return checked


def _list_words(known: tuple[str, ...]) -> str:
    return ", ".join(f"{{{name}}}" for name in known) or "none"


def _pattern(text: str) -> str:
    try:
        compiled = re.compile(text)
    except re.error as fault:
        raise ValueError(f"is no pattern ({fault})") from fault
    if any(compiled.fullmatch(one) for one in NOBODY):
        raise ValueError("takes any answer, so it proves nothing")
    return text


def _names_who(text: str) -> str:
    if "model" not in re.compile(_pattern(text)).groupindex:
        raise ValueError("needs a group (?P<model>...); maker, serial and firmware are welcome")
    return text


def _gives_value(text: str) -> str:
    if "value" not in re.compile(_pattern(text)).groupindex:
        raise ValueError("needs a group (?P<value>...)")
    return text


Word = Annotated[str, AfterValidator(partial(_checked_word, ()))]
Question = Annotated[str, AfterValidator(partial(_asking, ()))]
RangeWord = Annotated[str, AfterValidator(partial(_checked_word, ("range", "nplc")))]
VoltWord = Annotated[str, AfterValidator(partial(_needing, ("v",)))]
HertzWord = Annotated[str, AfterValidator(partial(_needing, ("hz",)))]
ChannelWord = Annotated[str, AfterValidator(partial(_needing, ("channel",)))]
ChannelQuestion = Annotated[str, AfterValidator(partial(_asking, ("channel",)))]
Pattern = Annotated[str, AfterValidator(_pattern)]
WhoPattern = Annotated[str, AfterValidator(_names_who)]
ValuePattern = Annotated[str, AfterValidator(_gives_value)]


def same_word(one: str, other: str) -> bool:
    """Whether two words are one to an instrument: upper and lower case, spaces and a leading colon aside."""
    return _bare(one) == _bare(other)


def _bare(word: str) -> str:
    return re.sub(r"\s+", " ", word.strip().upper()).lstrip(":")
