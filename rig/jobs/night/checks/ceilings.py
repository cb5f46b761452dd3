"""The ceilings of a soak, looked at after every look: coil, room, time excited at once and in all, unsound in a row.

Any one ends the night. Time excited is counted from the first reading of a run's excitation to its last, ramps and what
lies between included: rather too much than too little. It measures nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from rig.errors import SafetyStop
from rig.quantity import Reading
from rig.records.run.stored import StoredRun
from rig.records.store import Store
from rig.resolver import winding

EXCITED = ("ramp", "excitation", "index_found", "sweep", "turning", "null", "impedance", "spots")
UNSOUND = "unsound measurement"
NEXT = "Look at the part and the bench before anything goes on."


class SoakCeilings:
    """What a night's looks have added up to. ceilings of a look: coil, r20_ohm, coil_degc, room_degc, on_at_once_min,
    on_total_h, unsound_in_a_row; a look without ceilings counts as well, and ends nothing."""

    def __init__(self) -> None:
        self._on_s = 0.0
        self._unsound = 0

    def count(self, store: Store, run: str) -> None:
        """Count a look of an earlier sitting of the same night; "": it ended without a run."""
        if run:
            self.look(store.find(run), {})

    def look(self, run: StoredRun, ceilings: Mapping[str, Any]) -> SafetyStop | None:
        """Count a look's run; why the night ends, None where it may go on."""
        on_s = excited_s(run.readings)
        self._on_s += on_s
        self._unsound = self._unsound + 1 if run.outcome == UNSOUND else 0
        if not ceilings:
            return None
        for what, figure, limit, unit, code in (
            ("the coil is", coil_degc(run.readings, ceilings), ceilings["coil_degc"], "degC", "ceiling-coil"),
            ("the room is", room_degc(run.readings), ceilings["room_degc"], "degC", "ceiling-room"),
            ("one look excited the part for", on_s / 60.0, ceilings["on_at_once_min"], "min", "ceiling-on-time"),
            ("the part was excited for", self._on_s / 3600.0, ceilings["on_total_h"], "h", "ceiling-on-time"),
        ):
            if figure is not None and figure > float(limit):
                text = f"{what} {figure:.1f} {unit}, above the soak's ceiling of {float(limit):g} {unit}."
                return SafetyStop(text, code=code, next_action=NEXT)
        if self._unsound >= int(ceilings["unsound_in_a_row"]):
            text = f"{self._unsound} looks in a row were unsound measurements, as many as the soak allows."
            return SafetyStop(text, code="ceiling-unsound", next_action=NEXT)
        return None


def excited_s(readings: Iterable[Reading]) -> float:
    """Seconds of bench time from the first reading of the excitation to the last."""
    at = [one.bench_time_s for one in readings if one.quantity.startswith(EXCITED)]
    return max(at) - min(at) if at else 0.0


def coil_degc(readings: Iterable[Reading], ceilings: Mapping[str, Any]) -> float | None:
    """The warmest that the soak's coil was by its own resistance; None where it was not read."""
    found = []
    for one in readings:
        if one.quantity != "coil_resistance" or one.conditions.get("coil") != ceilings["coil"]:
            continue
        if isinstance(one.value, int | float):
            found.append(winding.degc_at(one.value, float(ceilings["r20_ohm"])))
    return max((degc for degc in found if degc <= winding.HIGH_DEGC), default=None)  # above it no copper is


def room_degc(readings: Iterable[Reading]) -> float | None:
    """The warmest air of a run; None where it was not read."""
    air = (one.value for one in readings if one.quantity == "ambient_temperature")
    return max((float(value) for value in air if isinstance(value, int | float)), default=None)
