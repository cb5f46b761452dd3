"""A reading from a separate station as an operator types it: NAME=VALUE[ UNIT][;INSTRUMENT].

It must never know what is done with it; steps put it down, evaluation looks at it.
"""

from __future__ import annotations

import re

from rig.control.step import ManualEntry
from rig.errors import UsageError


def entry(text: str) -> ManualEntry:
    """A manual entry from "NAME=VALUE[ UNIT][;INSTRUMENT]"; a number may be led by > or <. Raises UsageError."""
    told = re.fullmatch(r"\s*([^=;]+?)\s*=\s*([<>]?)\s*([^;]+?)\s*(?:;\s*(.*?)\s*)?", text)
    if told is None:
        raise UsageError(
            f"manual entry {text!r} can't be read.",
            next_action="Write NAME=VALUE[ UNIT][;INSTRUMENT], e.g. visual=clean.",
        )
    name, qualifier, value, instrument = told.groups()
    number = re.fullmatch(r"([+-]?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?)(?:\s+(.*))?", value)
    if number is None and qualifier:
        raise UsageError(f"manual entry {text!r}: {qualifier} needs a number.", next_action="Write e.g. >550 Mohm.")
    if number is None:
        return ManualEntry(name=name, value=value, instrument=instrument or "")
    return ManualEntry(
        name=name, value=float(number[1]), unit=number[2] or "", instrument=instrument or "", qualifier=qualifier
    )
