"""Leak resistances at the meter's own low voltage: coil to core, coil to coil, thermistor to all.

It must never be called an insulation test: it stays below the meter's few volts. Above the range the statement is
">" the range's upper end, less the meter's error there. Definitions: rig/evaluation/README.md.
"""

from __future__ import annotations

from rig.evaluation.results import half_width, half_width_of, make_result, make_untested
from rig.measurands import MEASURANDS
from rig.observed import Observed
from rig.quantity import Reading
from rig.result import Result

NOTE = "at the multimeter's own low voltage; not an insulation test"


def leak_id(reading: Reading) -> str:
    """The measurand id of a leak reading by its two ends; "" for a pair that has none."""
    ends = (str(reading.conditions.get("from")), str(reading.conditions.get("to")))
    if "thermistor" in ends:
        return "leak_thermistor"
    for first, second in (ends, ends[::-1]):
        if f"leak_{first}_{second}" in MEASURANDS:
            return f"leak_{first}_{second}"
    return ""


def leak_results(obs: Observed) -> list[Result]:
    """Every leak line that was read; the lowest reading of a pair counts (a leak that dries is still a leak)."""
    pairs: dict[str, list[Reading]] = {}
    for reading in obs.select("leak_resistance"):
        if id_ := leak_id(reading):
            pairs.setdefault(id_, []).append(reading)
    wanted = [id_ for id_, row in MEASURANDS.items() if row.group == "leak"]
    if obs.part.thermistor.kind == "none":
        wanted.remove("leak_thermistor")
    return [
        _result(obs, id_, pairs[id_]) if id_ in pairs else make_untested(id_, "not read in this run") for id_ in wanted
    ]


def _result(obs: Observed, id_: str, readings: list[Reading]) -> Result:
    numbers = [(r.number(), r) for r in readings if not r.overload and r.value is not None]
    lowest = min(numbers, key=lambda pair: pair[0]) if numbers else None
    reading = lowest[1] if lowest else readings[-1]
    range_ = reading.conditions.get("range_ohm")
    end = float(range_) if isinstance(range_, int | float) else 100e6
    value = lowest[0] if lowest else end
    spec = obs.bench.multimeter.spec_of("resistance", end)
    line = (
        half_width_of(spec, value, end, "ohm", "multimeter specification")
        if spec
        else half_width("multimeter, not specified", 0.02 * value, "ohm", note="the bench file states nothing")
    )
    conditions = {"range_ohm": end, "readings": len(readings)}
    return make_result(id_, value, [line], conditions, qualifier="" if lowest else ">", note=NOTE)
