"""The demonstration: an invented shop and five units on its simulated bench.

Everything here is invented: shop, customers, serials, part numbers. It knows only requests; worlds are in fixtures.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass

from rig.errors import UsageError
from rig.jobs.run_job import Request
from sequences import full_test, hand_sweep, hand_test

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
    bench: str = "simulated"
    sequence: str = full_test.SEQUENCE.name

    def request(self) -> Request:
        return Request(
            sequence=self.sequence,
            part=self.part,
            serial=self.serial,
            bench=self.bench,
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


TIERS: Mapping[str, tuple[DemoUnit, ...]] = {
    "a": (
        DemoUnit(
            "good",
            "KX4-2207-S",
            "4L-00871",
            "tier_a",
            1,
            "Two leads, two cables and a rotor turned by hand.",
            "tier_a",
            hand_test.SEQUENCE.name,
        ),
        DemoUnit(
            "shorted",
            "KX4-2207-S",
            "4L-00538",
            "tier_a_shorted",
            1,
            "The same by hand; its varnish is dark.",
            "tier_a",
            hand_test.SEQUENCE.name,
        ),
    ),
    "b": (
        DemoUnit(
            "good",
            "KX4-2207",
            "4L-00871",
            "tier_b",
            1,
            "Eight bits, a small stepper, leads and plugs by hand.",
            "tier_b",
            hand_sweep.SEQUENCE.name,
        ),
        DemoUnit(
            "shorted",
            "KX4-2207",
            "4L-00538",
            "tier_b_shorted",
            1,
            "The same bench; its varnish is dark.",
            "tier_b",
            hand_sweep.SEQUENCE.name,
        ),
    ),
    "c": (
        DemoUnit("good", "KX4-2207", "4L-00871", "tier_c", 1, "Mainframe, simultaneous sampler, encoder.", "tier_c"),
        DemoUnit(
            "shorted", "KX4-2207", "4L-00538", "tier_c_shorted", 1, "The same bench; its varnish is dark.", "tier_c"
        ),
    ),
}
"""What a shop owns, from the least on (hardware/README.md) -> its units."""


def choose_units(case: str | None, every: bool, tier: str = "") -> tuple[DemoUnit, ...]:
    """The units to run, of the scenario or of a tier. Raises UsageError for an unknown case, naming the nearest."""
    units = TIERS[tier] if tier else UNITS
    if every:
        return units
    name = case or "good"
    for unit in units:
        if unit.case == name:
            return (unit,)
    known = [unit.case for unit in units]
    near = difflib.get_close_matches(name, known, n=1)
    raise UsageError(
        f"no case called {name!r} in the demonstration.", next_action=f"Take {near[0] if near else ', '.join(known)}."
    )
