"""The good units of a lot taken into the library of known-good units in one act; each that is refused is named.

It must never take in a unit that was nonconforming or undecided in a check of its lot.
"""

from __future__ import annotations

from rig.errors import UsageError
from rig.records.store import Store
from rig.review.library.library import Library
from rig.review.lots.counting import CONFORMS
from rig.review.lots.lot import Lot, Unit


def add_good_units(store: Store, name: str, *, how: str, who: str) -> tuple[list[str], dict[str, str]]:
    """(serials taken in, serial -> why not) of a lot's tested units. Raises UsageError for a lot without a reading."""
    lot, library = Lot(store, name), Library(store)
    if not any(unit.runs for unit in lot.units):
        raise UsageError(f"lot {name}: no unit was tested.", next_action="`anglewright lot next` tests them.")
    taken: list[str] = []
    refused: dict[str, str] = {}
    for unit in lot.units:
        if not unit.runs:
            continue
        if odd := _odd(lot, unit):
            refused[unit.serial] = odd
            continue
        try:
            library.add([unit.runs[-1]], how=f"{how} (lot {name})", who=who)
            taken.append(unit.serial)
        except UsageError as fault:
            refused[unit.serial] = fault.message
    return taken, refused


def _odd(lot: Lot, unit: Unit) -> str:
    for check in lot.checks:
        state = lot.count_of(check, unit).state
        if unit in lot.sample(check) and state != CONFORMS:
            return f"{check.name}: {state}"
    return ""
