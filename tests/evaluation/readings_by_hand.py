"""Hand-written readings: what evaluation and diagnosis get from a few DC readings, without a world (for tests)."""

from __future__ import annotations

from itertools import combinations
from typing import Any

from observed_from_world import Kept

from rig.description.benches import load_bench
from rig.description.holders import load_holder
from rig.description.parts import load_part
from rig.observed import Observed
from rig.quantity import Reading, Scalar


def reading(quantity: str, value: Scalar, unit: str = "ohm", overload: bool = False, **conditions: Scalar) -> Reading:
    """One reading; None as the value is an overload when `overload` says so."""
    return Reading(
        step="by hand",
        quantity=quantity,
        value=value,
        unit=unit,
        instrument="hand",
        bench_time_s=0.0,
        time_utc="2026-11-25T08:00:00Z",
        conditions=conditions,
        overload=overload,
    )


def observed(readings: list[Reading], part: str = "KX4-2207", **header: Any) -> Observed:
    """Readings only, no capture."""
    bench = load_bench("simulated")
    return Observed(
        readings=tuple(readings),
        captures=Kept(bench.sampler.range_v, bench.sampler.sample_rate_hz),
        part=load_part(part).part(),
        holder=load_holder("adapter_8"),
        bench=bench,
        header={"rotor": "own", "started_utc": "2026-11-25T08:00:00Z", **header},
    )


def coil(name: str, plus: list[float], minus: list[float], range_ohm: float = 100.0) -> list[Reading]:
    """Four-wire readings of a coil in both polarities."""
    sides = (("+", plus), ("-", minus))
    return [
        reading("coil_resistance", v, coil=name, wires=4, polarity=side, range_ohm=range_ohm, repeat=i + 1)
        for side, values in sides
        for i, v in enumerate(values)
    ]


def pin_table(closed: dict[tuple[str, str], float], pins: str = "12345678") -> list[Reading]:
    """All pairs of pins and the core; those not named are over range."""
    readings = []
    for pair in combinations([*pins, "core"], 2):
        ohm = closed.get(pair, closed.get((pair[1], pair[0])))
        readings.append(
            reading(
                "pair_resistance",
                ohm,
                overload=ohm is None,
                pin_a=pair[0],
                pin_b=pair[1],
                polarity="+",
                range_ohm=1e3 if ohm is not None and ohm < 1e3 else 1e6,
            )
        )
    return readings


GOOD_PINS = {("1", "2"): 9.2, ("3", "4"): 15.2, ("5", "6"): 15.2, ("7", "8"): 11242.0}
