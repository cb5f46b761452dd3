"""XML elements of a DCC: written with their words in every language of the document, and read by their bare names.

It knows the two name spaces, no content. Source: DCC 3.3.0 (text and rich content types), XML 1.0 (characters).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from rig.certificate.words.language import language
from rig.errors import UsageError

if TYPE_CHECKING:
    from lxml.etree import _Element

DCC, SI = "https://ptb.de/dcc", "https://ptb.de/si"
NS = {"dcc": DCC, "si": SI}
Found = Iterator[tuple["_Element", str]]


class Writer:
    """Elements with their words in every language of the document; `dcc:` unless a name says otherwise."""

    def __init__(self, languages: Sequence[str]) -> None:
        self.tongues = [language(code) for code in languages]

    def put(self, parent: _Element, name: str, text: str | None = None, **attributes: str) -> _Element:
        """A new last child."""
        from lxml.etree import SubElement

        space, _, local = name.rpartition(":")
        child = SubElement(parent, f"{{{SI if space == 'si' else DCC}}}{local}", {**attributes})
        child.text = text if text is None else _printable(text)
        return child

    def words(self, parent: _Element, name: str, text: str, **attributes: str) -> _Element:
        """A text of ours, in every language."""
        held = self.put(parent, name, **attributes)
        for tongue in self.tongues:
            self.put(held, "content", tongue.say(text), lang=tongue.code)
        return held

    def verbatim(self, parent: _Element, name: str, text: str) -> _Element:
        """A name or free text, the same in every language."""
        held = self.put(parent, name)
        self.put(held, "content", text or "not stated")
        return held


def decimal(value: float) -> str:
    """A number as D-SI takes it: a point, no thousands, 9 digits. Raises UsageError for what is no number."""
    if not math.isfinite(value):
        raise UsageError(f"{value!r} is no figure for a certificate.", next_action="Leave that quantity out.")
    return f"{value:.9g}"


def _printable(text: str) -> str:
    """What XML 1.0 can carry: control characters become spaces."""
    return "".join(c if c in "\t\n" or (c >= " " and c not in "\ufffe\uffff") else " " for c in text)


def tokens(element: _Element | None) -> list[str]:
    """An element's words, parted by white space; none where there is no element or no text."""
    return [] if element is None or not element.text else element.text.split()


def local_name(element: _Element) -> str:
    """An element's name without its name space; of a comment, what lxml calls it."""
    return str(element.tag).rpartition("}")[2]
