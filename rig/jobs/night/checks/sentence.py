"""One sentence of the morning page, and the words that agree with a count. Said in another language by its key."""

from __future__ import annotations

from dataclasses import dataclass

from rig.certificate.words.phrase import Phrase, phrase


@dataclass(frozen=True, slots=True, kw_only=True)
class Sentence:
    """part: of the page it belongs to; text: a phrase; of: runs that it counts."""

    part: str
    text: str
    of: tuple[str, ...] = ()


def count_of(n: int, one: str, many: str, **places: str) -> Phrase:
    """The phrase for one thing, or the one for several with their number as {n}."""
    return phrase(one, **places) if n == 1 else phrase(many, n=str(n), **places)
