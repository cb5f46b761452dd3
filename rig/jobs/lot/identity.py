"""Which unit was scanned: the one that was picked, another of the lot, one that was tested already, or a stranger.

A serial number that differs from the pick is never taken silently. It asks nobody and writes nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

from rig.records.index.history import alike
from rig.review.lots.lot import Lot, Unit

PICKED, OTHER, TESTED, STRANGER, LOOKS_ALIKE, UNREADABLE = (
    "picked",
    "other",
    "tested",
    "stranger",
    "looks alike",
    "unreadable",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """kind: see above; serial: by the rule for labels; unit: whose it is, None for a stranger; words: to be said."""

    kind: str
    serial: str
    unit: Unit | None
    words: str


def identify(lot: Lot, pick: Unit, code: str) -> Identity:
    """Whose code it is, beside the unit that was picked."""
    serial = lot.file.label.serial(code)
    if not serial:
        return Identity(
            kind=UNREADABLE, serial="", unit=None, words=f"{code!r} does not fit this lot's rule for labels."
        )
    owner = next((unit for unit in lot.units if unit.serial == serial), None)
    wanted = pick.listed
    if owner is not None and owner.label == pick.label:
        return Identity(kind=PICKED, serial=serial, unit=owner, words="")
    expected = f"{pick.label} is {wanted}; " if wanted else ""
    if owner is not None and (owner.runs or owner.aside):
        what = f"was tested as {owner.label}" if owner.runs else f"is {owner.aside} ({owner.label})"
        return Identity(kind=TESTED, serial=serial, unit=owner, words=f"{expected}you scanned {serial}, which {what}.")
    if owner is not None:
        words = f"{expected}you scanned {serial}, which is {owner.label}."
        return Identity(kind=OTHER, serial=serial, unit=owner, words=words)
    near = next((unit.serial for unit in lot.units if unit.serial and alike(unit.serial) == alike(serial)), "")
    if near:
        words = f"{expected}you scanned {serial}, easily read for {near}. Look at the label."
        return Identity(kind=LOOKS_ALIKE, serial=serial, unit=None, words=words)
    if not wanted:
        return Identity(kind=PICKED, serial=serial, unit=pick, words="")
    words = f"{expected}you scanned {serial}, which is not on the supplier's list."
    return Identity(kind=STRANGER, serial=serial, unit=None, words=words)
