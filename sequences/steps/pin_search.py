"""The search for pins on the bench: every pin of the holder against every other, then each coil driven at a low level.

It must never judge, and it takes nothing from the part file's pin map. The other steps do the work, on a view of the
run whose part has no map (all pins) or the map of one test (driven coil on the excitation bus, the other two on the
sampler). Low level: 1 V rms and 50 mA at most, whatever the part file says.
"""

from __future__ import annotations

from dataclasses import replace

from rig.control.step import Context
from rig.pins.ac_test import SERIES
from rig.pins.pin_map import Circuit
from rig.pins.search import find_pins, forbids_low_level
from rig.quantity import Scalar
from rig.resolver.part import Excitation
from rig.result import Reason
from sequences.gates import evaluate_so_far
from sequences.steps import excitation, first_looks, ohms, sampling

LOW_V_RMS, LOW_A_RMS = 1.0, 0.05
POINTS = 40  # a turn
GOLDEN = 0.6180339887498949
BY_HAND_S = 0.25


def every_pin(ctx: Context) -> Context:
    """The run as seen without a pin map: all pins of the holder, none of them named."""
    pins = tuple(pin for pin in ctx.holder.channels if pin != ctx.holder.core_pin)
    return replace(ctx, part=replace(ctx.part, pins={}, empty_pins=pins, coils={}))


def live_voltage(ctx: Context) -> None:
    """Every pin of the holder against the core and against the first one, DC then AC."""
    first_looks.live_voltage(every_pin(ctx))


def all_pairs(ctx: Context) -> None:
    """Every pair of pins, core included, both polarities where something conducts."""
    ohms.pin_map(every_pin(ctx))


def may_excite(ctx: Context) -> list[Reason]:
    """Gate: why the low-level test must not begin."""
    return forbids_low_level(evaluate_so_far(ctx))


def leak(ctx: Context) -> None:
    """The three coils against the core and each other on the high range; named exc, sin, cos as they come."""
    coils = find_pins(evaluate_so_far(ctx)).found.coils
    ohms.leak(_driving(ctx, *coils))


def low_level(ctx: Context) -> None:
    """Each of the three coils driven in turn, over a turn of the rotor, the other two watched."""
    coils = find_pins(evaluate_so_far(ctx)).found.coils
    for number, coil in enumerate(coils):
        a, b = (other for other in coils if other is not coil)
        view = _driving(ctx, coil, a, b)
        excitation.excite(view)
        if excitation.NO_EXCITATION in ctx.facts:
            return
        _turn(view, SERIES[number], _names(coil, a, b))
        excitation.ramp_down(view)


def _driving(ctx: Context, coil: Circuit, a: Circuit, b: Circuit) -> Context:
    pins: dict[str, str] = {}
    for role, circuit in (("exc", coil), ("sin", a), ("cos", b)):
        pins[f"{role}_hi"], pins[f"{role}_lo"] = ends(circuit)
    wanted = ctx.part.excitation
    low = Excitation(
        level_v_rms=min(LOW_V_RMS, wanted.level_v_rms),
        frequency_hz=wanted.frequency_hz,
        ceiling_v_rms=min(LOW_V_RMS * 1.2, wanted.ceiling_v_rms),
        ceiling_a_rms=min(LOW_A_RMS, wanted.ceiling_a_rms),
    )
    return replace(ctx, part=replace(ctx.part, pins=pins, empty_pins=(), excitation=low))


def ends(circuit: Circuit) -> tuple[str, str]:
    """High and low end: a pin that is shared is the low one."""
    hi, lo = circuit.pins
    return (lo, hi) if hi in circuit.shared and lo not in circuit.shared else (hi, lo)


def _names(coil: Circuit, a: Circuit, b: Circuit) -> dict[str, Scalar]:
    named: dict[str, Scalar] = {}
    for name, circuit in (("driven", coil), ("a", a), ("b", b)):
        named[f"{name}_hi"], named[f"{name}_lo"] = ends(circuit)
    return named


def positions(steps_per_turn: int) -> list[int]:
    """Where the rotor stops, in steps: spread by the golden ratio, so that no pole-pair number folds onto another."""
    return sorted({round(i * GOLDEN % 1.0 * steps_per_turn) for i in range(POINTS)})


def _turn(view: Context, series: str, names: dict[str, Scalar]) -> None:
    """Captures over a turn: the axis turns the rotor, else a person does, slowly."""
    axis, device = view.bench.axis, view.bench.file.axis
    level_v = view.part.excitation.level_v_rms
    by_axis = axis is not None and device is not None and view.rotor != "none"
    stops = positions(axis.steps_per_turn) if by_axis and axis is not None else [0] * POINTS
    for point, stop in enumerate(stops):
        where: dict[str, Scalar] = {}
        if by_axis and axis is not None and device is not None:
            where = {"position_steps": stop}
            axis.move_to(stop)
            axis.wait_stopped(device.settle_s)
        else:
            view.clock.sleep(BY_HAND_S)
        waveform = sampling.take(view)
        sampling.measure_level(view, waveform)
        told = sampling.conditions(view, level_v, view.facts["generator_v_rms"])
        view.capture(series, waveform, **told, **names, **where)
        hint = "" if by_axis else "turn the rotor slowly by hand: "
        view.progress(f"{hint}coil {names['driven_hi']}-{names['driven_lo']} driven", point + 1, len(stops))
