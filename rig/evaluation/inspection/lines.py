"""Which lines a fault of the rig spoils, by groups of measurand ids, and what diagnosis asks again and again.

It must never hold a limit of a part. Groups: rig/measurands.py.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from statistics import median

from rig.evaluation.evaluated import Evaluated
from rig.measurands import MEASURANDS
from rig.observed import Observed
from rig.quantity import Reading
from rig.resolver.part import COILS
from rig.result import Result

EVERYTHING = ("*",)
BOTH_OUTPUTS = ("tr_imbalance", "phase_difference_deg", "ratio_both", "angle_elec_deg")
R20 = tuple(f"r20_{coil}" for coil in COILS)


CHANNEL_NAMES = {"sin": "sine", "cos": "cosine", "exc_v": "excitation voltage", "exc_i": "excitation current"}
COIL_NAMES = {"exc": "excitation", "sin": "sine", "cos": "cosine"}


def group(*names: str) -> tuple[str, ...]:
    """Ids of the part's lines in these groups."""
    return tuple(id_ for id_, row in MEASURANDS.items() if row.group in names)


def order_lines(results: Iterable[Result]) -> tuple[str, ...]:
    """The order lines of this run."""
    return tuple(r.measurand for r in results if r.measurand.startswith("order_"))


def driven(results: Iterable[Result]) -> tuple[str, ...]:
    """Everything that needs the excitation."""
    return (*group("excitation", "impedance"), *turned(results))


def turned(results: Iterable[Result]) -> tuple[str, ...]:
    """Everything that comes from turning the rotor."""
    return (*group("ratio", "null", "position"), *angles(results))


def angles(results: Iterable[Result]) -> tuple[str, ...]:
    """Everything that an angle is made of."""
    return (*group("angle"), *order_lines(results))


def error_lines(results: Iterable[Result]) -> tuple[str, ...]:
    """The angle error and its orders, without pole pairs and direction."""
    return tuple(id_ for id_ in angles(results) if id_ not in ("pole_pairs", "direction"))


def output_lines(name: str, results: Iterable[Result]) -> tuple[str, ...]:
    """What an output (sin, cos) alone decides, and what both decide together."""
    own = tuple(id_ for id_ in group("ratio", "null", "position") if f"_{name}" in id_)
    return (*own, *BOTH_OUTPUTS, *angles(results))


def value(results: Iterable[Result], id_: str) -> float | None:
    """The estimate of a line, None where there is none or only a bound."""
    found = next((r for r in results if r.measurand == id_), None)
    return None if found is None or found.qualifier else found.estimate


def result_of(results: Iterable[Result], id_: str) -> Result | None:
    """The result of a line."""
    return next((r for r in results if r.measurand == id_), None)


def is_open(evaluated: Evaluated, name: str) -> bool:
    """Whether the coil's own four-wire readings (else its pair of pins) are over range."""
    found = evaluated.resistance(name)
    if found is not None:
        return found.ohm is None
    readings = pair_readings(evaluated.observed, name)
    return bool(readings) and all(r.overload for r in readings)


def pair_readings(obs: Observed, name: str) -> list[Reading]:
    """What the pin map read between the coil's own two pins, both polarities."""
    pair = {obs.part.pins[f"{name}_hi"], obs.part.pins[f"{name}_lo"]}
    return [
        r
        for r in obs.select("pair_resistance")
        if {str(r.conditions.get("pin_a")), str(r.conditions.get("pin_b"))} == pair
    ]


def is_healthy(evaluated: Evaluated, name: str) -> bool | None:
    """Whether a coil's DC resistance is about its nominal; None when it was not read or has no nominal."""
    found, nominal = evaluated.resistance(name), evaluated.observed.part.coils.get(name)
    if found is None:
        return None
    if found.ohm is None:
        return False
    if nominal is None:
        return True
    return abs(found.ohm / nominal.r20_ohm - 1.0) <= 2.0 * nominal.tolerance


def middle(values: Sequence[float]) -> float:
    """The median; 0 for nothing."""
    return float(median(values)) if values else 0.0
