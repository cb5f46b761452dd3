"""The circuits that a person with two leads meets: places, what a loop reads on each, which readings agree.

It asks for nothing and reads nothing. Expected values are the part file's.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from drivers.roles import MeterReading
from rig.control.step import Context
from rig.pins.thresholds import COIL_OHM, LEAD_MOST_OHM, SAME_OHM, SAME_RELATIVE, SENSOR_OHM, SLACK_RELATIVE
from rig.resolver.part import COILS
from sequences.steps import ohms, wiring

THERMISTOR = "thermistor"
SHORT_OHM = 1.0  # both leads on one piece of metal, their own resistance in it
SAME_COIL_RELATIVE, SAME_COIL_OHM = 2e-3, 0.02  # four-wire readings of two visits: further apart is another contact


@dataclass(slots=True)
class Circuit:
    """A circuit as the walk meets it: its two places and what its loop reads. visits: how often it was proved.

    own: the part's own reading where it is not what the part file says; open: proved to be open.
    """

    name: str
    places: tuple[str, str]
    fits: Callable[[float], bool]
    visits: int = 0
    own: float | None = None
    open: bool = False

    def shows_loop(self, ohm: float) -> bool:
        """Whether a loop's reading shows that both leads are on this circuit."""
        if self.open:
            return ohm < SHORT_OHM
        return self.fits(ohm) if self.own is None else agree(ohm, self.own)


@dataclass(slots=True)
class FourWire:
    """One four-wire reading of a coil, held until it was compared with another visit's."""

    polarity: str
    got: MeterReading
    range_ohm: float
    compensated: bool


def agree(a: float, b: float) -> bool:
    """Whether two readings (ohm) are of the same circuit; open agrees with open."""
    if math.isinf(a) or math.isinf(b):
        return math.isinf(a) and math.isinf(b)
    return abs(a - b) <= SAME_RELATIVE * abs(b) + SAME_OHM


def largest_alike(taken: list[FourWire]) -> list[FourWire]:
    """The largest set of readings that agree with one of them; empty for fewer than two."""
    best: list[FourWire] = []
    for one in taken:
        value = one.got.value
        if value is None:
            continue
        slack = SAME_COIL_RELATIVE * abs(value) + SAME_COIL_OHM
        near = [other for other in taken if other.got.value is not None and abs(other.got.value - value) <= slack]
        best = max(best, near, key=len)
    return best if len(best) >= 2 else []


def circuits_of(ctx: Context) -> dict[str, Circuit]:
    """The part's circuits in the order of the walk: the coils, the thermistor where there is one, the core."""
    found: dict[str, Circuit] = {}
    for coil in COILS:
        nominal = ctx.part.coils.get(coil)
        if nominal is None:
            found[coil] = Circuit(coil, wiring.coil_pins(ctx, coil), lambda ohm: SHORT_OHM < ohm < COIL_OHM)
            continue
        slack = (nominal.tolerance + SLACK_RELATIVE) * nominal.r20_ohm + LEAD_MOST_OHM
        found[coil] = Circuit(coil, wiring.coil_pins(ctx, coil), _near(nominal.r20_ohm, slack))
    if ohms.has_thermistor(ctx):
        found[THERMISTOR] = Circuit(THERMISTOR, wiring.coil_pins(ctx, THERMISTOR), lambda ohm: 50.0 < ohm < SENSOR_OHM)
    found[wiring.CORE] = Circuit(wiring.CORE, (wiring.CORE, wiring.CORE), lambda ohm: ohm < SHORT_OHM)
    return found


def _near(nominal_ohm: float, slack_ohm: float) -> Callable[[float], bool]:
    return lambda ohm: abs(ohm - nominal_ohm) <= slack_ohm
