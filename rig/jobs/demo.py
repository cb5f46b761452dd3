"""The demonstration: an invented shop and five units on its simulated bench.

Everything here is invented: shop, customers, serials, part numbers. It knows only requests; worlds are in fixtures.
"""

from __future__ import annotations

import difflib
from dataclasses import dataclass

from rig.errors import UsageError
from rig.jobs.run_job import Request
from sequences import full_test

SHOP = "Harrow Lane Motor Rebuild (invented)"


@dataclass(frozen=True, slots=True)
class DemoUnit:
    """One unit of the scenario: what the shop knows of it before it is clamped."""

    case: str
    part: str
    serial: str
    world: str
    clamping: int
    told: str

    def request(self) -> Request:
        return Request(
            sequence=full_test.SEQUENCE.name,
            part=self.part,
            serial=self.serial,
            world=self.world,
            clamping=self.clamping,
            job="HL-0311",
            customer="Order desk, invented",
            operator="bench 1",
            entries=("visual=no rub marks, pins clean",) if self.case == "good" else (),
        )


UNITS = (
    DemoUnit(
        "good",
        "KX4-2207",
        "4L-00871",
        "good_4",
        1,
        "A donor sensor out of a breaker's motor; nothing known against it.",
    ),
    DemoUnit(
        "shorted",
        "KX4-2207",
        "4L-00538",
        "shorted_sine",
        1,
        "The motor ran rough and set an angle fault; its varnish is dark.",
    ),
    DemoUnit("off-centre", "KX2-1184", "2M-10422", "off_centre_2", 1, "A two-pole-pair sensor, clamped in a hurry."),
    DemoUnit("re-seated", "KX2-1184", "2M-10422", "off_centre_2", 2, "The same sensor, taken out and seated again."),
    DemoUnit("corroded", "KX4-2207", "4L-00902", "corroded_pin", 1, "Stored without its cap; one pin is green."),
)


def choose_units(case: str | None, every: bool) -> tuple[DemoUnit, ...]:
    """The units to run. Raises UsageError for an unknown case, naming the nearest."""
    if every:
        return UNITS
    name = case or "good"
    for unit in UNITS:
        if unit.case == name:
            return (unit,)
    known = [unit.case for unit in UNITS]
    near = difflib.get_close_matches(name, known, n=1)
    raise UsageError(
        f"no case called {name!r} in the demonstration.", next_action=f"Take {near[0] if near else ', '.join(known)}."
    )
