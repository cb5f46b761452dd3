"""What steps write into the journal and evaluation reads: every quantity with its unit and its conditions.

One row a quantity. A row with `capture` stands for waveforms in the raw file (value None, unit V, `capture` is
"series/index"); channels of every capture: exc_v, exc_i, sin, cos, volts at the sampler's connectors, divider and shunt
not yet applied. `check` is asked for every reading before it is written. It knows no step and no evaluation.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from rig.quantity import Scalar

DRIVEN = ("frequency_hz", "set_v_rms", "sample_rate_hz", "generator_v_rms", "channels")
"""As set, and the sampler's rate. channels: the inputs that something was on ("exc_v sin") where not all four were."""
PLACE = ("position_steps", "direction", "point", "closing")  # direction "ccw" | "cw"; whole steps of the axis
TURNING = ("direction", "start_steps", "stop_steps", "pulse_steps", "speed_mech_deg_s")


@dataclass(frozen=True, slots=True)
class Quantity:
    """unit: one, or several that are allowed. conditions: names that a reading may carry. meaning: in words."""

    unit: tuple[str, ...]
    conditions: tuple[str, ...]
    meaning: str
    capture: bool = False


def _read(unit: str, conditions: tuple[str, ...], meaning: str) -> Quantity:
    return Quantity((unit,), conditions, meaning)


def _capture(meaning: str, *conditions: str) -> Quantity:
    return Quantity(("V",), (*DRIVEN, *conditions), meaning, capture=True)


QUANTITIES: Mapping[str, Quantity] = {
    "pin_voltage_dc": _read("V", ("pin_a", "pin_b"), "voltage between two pins before anything is driven"),
    "pin_voltage_ac": _read("V", ("pin_a", "pin_b"), "the same, alternating, rms"),
    "pair_resistance": _read("ohm", ("pin_a", "pin_b", "polarity", "range_ohm"), "between two pins; overload: above"),
    "lead_zero": _read("ohm", ("wires",), "the leads shorted at the adapter plane"),
    "check_resistor": _read("ohm", ("wires", "nominal_ohm"), "the rig's own resistor standard"),
    "coil_resistance": _read(
        "ohm",
        ("coil", "wires", "polarity", "range_ohm", "nplc", "offset_compensation", "repeat"),
        "a coil by four wires; coil exc, sin, cos; polarity + or -",
    ),
    "ambient_temperature": _read("degC", ("phase",), "air at the bench; phase before or after"),
    "humidity": _read("%", ("phase",), "relative humidity of that air"),
    "thermistor_resistance": _read("ohm", ("wires", "range_ohm"), "the part's temperature sensor"),
    "leak_resistance": _read("ohm", ("from", "to", "range_ohm"), "exc, sin, cos, thermistor to each other, core, all"),
    "encoder_angle": _read("deg", (*PLACE, "series"), "the reference encoder, mechanical; series: of which sweep"),
    "index_found": _read("steps", ("phase",), "index mark less where it was expected; phase first, between, again"),
    "step_settle_s": _read("s", ("measured", "steps"), "wait after a step, as stated or as measured"),
    "manual": Quantity((), ("name", "instrument", "qualifier", "caution"), "read elsewhere and typed in"),
    "hand_changes": _read("1", ("fewest", "again", "of"), "changes that a person made; fewest: that any order needs"),
    "rotor": _read("", (), "whose rotor is fitted: own, shop master, none"),
    "watch_resistance": _read("ohm", ("coil", "range_ohm", "wires", "dwell_s"), "one look of a watch"),
    "watch_amplitude": Quantity(("V", "A"), ("coil", "exc_v_rms"), "one look of a watch under excitation"),
    "loopback": _capture("the generator on all four channels"),
    "loopback_swapped": _capture("the same with sine and cosine inputs exchanged"),
    "background": _capture("output off"),
    "ramp": _capture("each stage of switching on"),
    "excitation": _capture("the part excited, at rest"),
    "impedance_exc": _capture("the excitation coil driven alone", *PLACE),
    "impedance_sin": _capture("the sine coil driven alone", *PLACE),
    "impedance_cos": _capture("the cosine coil driven alone", *PLACE),
    "ratio_standard": _capture("the rig's own ratio standard"),
    "sweep_ccw": _capture("the counter-clockwise pass, at rest at each point", *PLACE),
    "sweep_cw": _capture("the clockwise pass", *PLACE),
    "sweep_ccw_again": _capture("the counter-clockwise pass repeated, where the turn did not close", *PLACE),
    "sweep_cw_again": _capture("the clockwise pass repeated", *PLACE),
    "spots": _capture("a few places of the quick screen", *PLACE),
    "nulls_ccw": _capture("at rest at the nulls that a turn on the fly showed, and between", *PLACE),
    "nulls_cw": _capture("every second of these places, reached clockwise", *PLACE),
    "hand_turned": _capture("the rotor turned by hand", "turned"),
    "hand_output": _capture("turned by hand on two channels: exc_v and sin, the others empty", "turned"),
    "hand_pair": _capture("turned by hand on two channels: sin and cos, the others empty", "turned"),
    "turning_ccw": _capture("two turns on the fly; channels exc_v, pulses, sin, cos", *TURNING),
    "turning_cw": _capture("the same, clockwise", *TURNING),
    "turning_ccw_again": _capture("both turns on the fly repeated, where they did not close", *TURNING),
    "turning_cw_again": _capture("the same, clockwise", *TURNING),
    "background_turning": _capture("turning with the output off", *TURNING),
    "dummy": _capture("the dummy part at one of its angles", "nominal_elec_deg"),
    "straight": _capture("outputs on their own inputs", "spot", *PLACE),
    "crossed": _capture("outputs on exchanged inputs", "spot", *PLACE),
    **{
        f"identify_{n}": _capture(
            "a pair of pins driven at a low level", "driven_hi", "driven_lo", "a_hi", "a_lo", "b_hi", "b_lo", *PLACE
        )
        for n in (1, 2, 3)
    },
}


def awaits_text(titles: Iterable[str]) -> str:
    """'awaits a witness (shorting plug)' for the witnesses that an outcome waits for; "" for none."""
    named = " or ".join(dict.fromkeys(titles))
    return f"awaits a witness ({named})" if named else ""


def check(quantity: str, unit: str, conditions: Mapping[str, Scalar], *, capture: bool) -> None:
    """Refuse a reading that no row describes. Raises ValueError that names the quantity and what was expected."""
    row = QUANTITIES.get(quantity)
    if row is None:
        raise ValueError(f"{quantity!r} is no quantity of the journal: add its row to rig/vocabulary.py")
    if row.unit and unit not in row.unit:
        raise ValueError(f"{quantity} in {unit!r}: {' or '.join(map(repr, row.unit))} was expected")
    if row.capture != capture:
        raise ValueError(f"{quantity}: a {'capture' if row.capture else 'reading'} was expected")
    unknown = sorted(set(conditions) - set(row.conditions))
    if unknown:
        raise ValueError(f"{quantity}: unknown conditions {', '.join(unknown)}; known: {', '.join(row.conditions)}")
