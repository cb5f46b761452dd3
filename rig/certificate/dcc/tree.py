"""The tree of a digital calibration certificate: its name spaces, an element's words and bare name.

It must never know a rule. Source: DCC 3.3.0 and D-SI 2.2.1 schemas (name spaces).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from rig.certificate.dcc.writer import DCC, SI

if TYPE_CHECKING:
    from lxml.etree import _Element


NS = {"dcc": DCC, "si": SI}
Found = Iterator[tuple["_Element", str]]


def tokens(element: _Element | None) -> list[str]:
    """An element's words, parted by white space; none where there is no element or no text."""
    return [] if element is None or not element.text else element.text.split()


def local_name(element: _Element) -> str:
    """An element's name without its name space; of a comment, what lxml calls it."""
    return str(element.tag).rpartition("}")[2]
