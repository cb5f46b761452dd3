"""A text of a report by its key and what stands in its places: English as it is read, any other language by the key.

    phrase("{n} of the {nb} lines lie outside it", n="2", nb="22")     join_texts("; ", [phrase(...), ...])

It is a str, the English sentence, so that every face can hold it; a language says it from key and places
(language.py), and no finished sentence is taken apart again. Pure.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any


class Phrase(str):
    """key: the English words with {places}. places: what stands there, texts or phrases. raw: the key is no words of a
    language (only signs between the places)."""

    key: str
    places: Mapping[str, str]
    raw: bool

    def __deepcopy__(self, _memo: Any) -> Phrase:
        return self

    def __copy__(self) -> Phrase:
        return self


def phrase(key: str, **places: str) -> Phrase:
    """The English sentence of a key with its places filled."""
    return _make_phrase(key, places, raw=False)


def join_texts(between: str, parts: Iterable[str]) -> str:
    """Texts in a row; each is said for itself in another language."""
    texts = [part for part in parts if part]
    if len(texts) < 2:
        return "".join(texts)
    key = between.join(f"{{{n}}}" for n in range(len(texts)))
    return _make_phrase(key, {str(n): text for n, text in enumerate(texts)}, raw=True)


def fill(key: str, places: Mapping[str, str]) -> str:
    """The key's places filled; braces elsewhere stay as they are."""
    text = key
    for name, value in places.items():
        text = text.replace("{" + name + "}", value)
    return text


def _make_phrase(key: str, places: Mapping[str, str], *, raw: bool) -> Phrase:
    made = Phrase(fill(key, places))
    made.key, made.places, made.raw = key, dict(places), raw
    return made
