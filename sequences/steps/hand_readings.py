"""What counts of a walk with two leads is written: loops, the readings between circuits, open circuits, coils.

It asks for no act of the hand: whoever calls it has proved that the leads are where the reading says.
"""

from __future__ import annotations

from collections.abc import Mapping

from drivers.roles import LEADS, MeterReading
from rig.control.step import Context
from rig.resolver.part import COILS
from sequences.steps import ohms, wiring
from sequences.steps.hand_circuits import THERMISTOR, Circuit, FourWire

HI, LO = LEADS


def put_down_loop(
    ctx: Context, circuit: Circuit, on: Mapping[str, str], got: MeterReading, range_ohm: float
) -> FourWire | None:
    """Both leads are where they should be: what is read on this circuit is written.

    on: lead -> place. The four-wire reading of a coil is returned, to be held against another visit's.
    """
    hi, lo = on[HI], on[LO]
    turned = hi != circuit.places[0]
    circuit.visits += 1
    if circuit.open:
        return None
    if circuit.name == wiring.CORE:
        ctx.read_meter("lead_zero", got, wires=2)
        return None
    a, b = (lo, hi) if turned else (hi, lo)
    polarity = "-" if turned else "+"
    ctx.read_meter("pair_resistance", got, pin_a=a, pin_b=b, polarity=polarity, range_ohm=range_ohm)
    if circuit.name == THERMISTOR:
        upper = max(10e3, range_ohm)
        wires = ohms.wires(ctx)
        fine = ohms.take(ctx, four_wire=wires == 4, range_ohm=upper, nplc=ohms.NPLC_FINE)
        ctx.read_meter("thermistor_resistance", fine, wires=wires, range_ohm=upper)
        return None
    fits = ohms.fitting(abs(got.value or 0.0))
    fine, compensated = ohms.fine(ctx, fits)
    return FourWire(polarity, fine, fits, compensated)


def put_down_between(
    ctx: Context, a: Circuit, b: Circuit, got: MeterReading, range_ohm: float, hi: str, lo: str
) -> None:
    """The reading between two circuits that were both proved: the pair, and the leak that it is."""
    ctx.read_meter("pair_resistance", got, pin_a=hi, pin_b=lo, polarity="+", range_ohm=range_ohm)
    names = {a.name, b.name}
    if THERMISTOR in names:
        ends = (THERMISTOR, next(iter(names - {THERMISTOR})))
    elif wiring.CORE in names:
        ends = (next(iter(names - {wiring.CORE})), wiring.CORE)
    else:
        ends = tuple(sorted(names, key=COILS.index))  # type: ignore[assignment]
    ctx.read_meter("leak_resistance", got, **{"from": ends[0], "to": ends[1]}, range_ohm=range_ohm)


def put_down_open(ctx: Context, circuit: Circuit, got: MeterReading, range_ohm: float) -> None:
    """The reading of a circuit that was proved to be open, its leads on both of its pins."""
    a, b = circuit.places
    ctx.read_meter("pair_resistance", got, pin_a=a, pin_b=b, polarity="+", range_ohm=range_ohm)
    if circuit.name in COILS:
        put_down_coil(ctx, circuit.name, FourWire("+", got, range_ohm, False), 1)
    else:
        ctx.read_meter("thermistor_resistance", got, wires=2, range_ohm=range_ohm)


def put_down_coil(ctx: Context, coil: str, one: FourWire, repeat: int) -> None:
    """One four-wire reading of a coil that counts; repeat: from 1."""
    ctx.read_meter(
        "coil_resistance",
        one.got,
        coil=coil,
        wires=ohms.wires(ctx),
        polarity=one.polarity,
        range_ohm=one.range_ohm,
        nplc=ohms.NPLC_FINE,
        offset_compensation=one.compensated,
        repeat=repeat,
    )
