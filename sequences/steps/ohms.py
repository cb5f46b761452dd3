"""Everything the multimeter does on ohms: leads, check resistor, pin map, coils, thermistor, leaks.

It must never judge. Test currents stay at 1 mA and below (a 344xx-class meter's 100 ohm range and up), 10 uA to
100 uA on the thermistor. Ranges are fixed, found by looking first; only the reading on the fitting range is kept.
"""

from __future__ import annotations

from collections.abc import Iterable

from drivers.roles import MeterReading
from rig.control.step import Context
from rig.quantity import Scalar
from rig.resolver.part import COILS
from sequences.steps import wiring

RANGES_OHM = (100.0, 1e3, 10e3, 100e3, 1e6, 10e6, 100e6)
FIRST_RANGE_OHM = 1e3
WIDE_RANGE_OHM = 1e6
LEAK_RANGE_OHM = 100e6
THERMISTOR_RANGE_OHM = 100e3
NPLC_MAP = 1.0
NPLC_FINE = 10.0
REPEATS = 3


def fitting(value_ohm: float, at_least_ohm: float = RANGES_OHM[0]) -> float:
    """The smallest range whose upper end is not below the value."""
    return next((r for r in RANGES_OHM if r >= at_least_ohm and value_ohm <= r), RANGES_OHM[-1])


def has_lead_short(ctx: Context) -> bool:
    """Whether the bench can short its leads at the adapter."""
    return ctx.bench.file.switch.lead_short is not None


def lead_zero(ctx: Context) -> None:
    """The leads shorted at the adapter, two-wire and four-wire."""
    wiring.special(ctx, "lead_short")
    for count in (2, 4)[: wires(ctx) // 2]:
        got = take(ctx, count == 4, RANGES_OHM[0], NPLC_FINE, offset=count == 4)
        ctx.read_meter("lead_zero", got, wires=count)
    wiring.open_all(ctx)


def has_check_resistor(ctx: Context) -> bool:
    """Whether the bench has a check resistor."""
    return ctx.bench.file.switch.check_resistor is not None


def check_resistor(ctx: Context) -> None:
    """The bench's own resistor, four-wire, as the coils will be measured, three times."""
    _check_resistor(ctx, REPEATS)


def check_resistor_once(ctx: Context) -> None:
    """The bench's own resistor, four-wire, as the coils will be measured, once."""
    _check_resistor(ctx, 1)


def _check_resistor(ctx: Context, repeats: int) -> None:
    nominal_ohm = ctx.bench.file.switch.check_resistor_ohm
    wiring.special(ctx, "check_resistor")
    for _ in range(repeats):
        got = take(ctx, True, fitting(nominal_ohm), NPLC_FINE, offset=True)
        ctx.read_meter("check_resistor", got, wires=wires(ctx), nominal_ohm=nominal_ohm)
    wiring.open_all(ctx)


def pin_map(ctx: Context) -> None:
    """Every pair of pins, core included, two-wire; pairs that conduct in both polarities."""
    _pairs(ctx, wiring.pairs(ctx))


def short_pin_map(ctx: Context) -> None:
    """Each coil's own pair, one pair between any two, each coil to the core."""
    _pairs(ctx, wiring.pairs(ctx, every=False))


def _pairs(ctx: Context, pairs: list[tuple[str, str]]) -> None:
    for done, (a, b) in enumerate(pairs, start=1):
        wiring.meter_on(ctx, [a], [b])
        range_ohm = FIRST_RANGE_OHM
        got = take(ctx, False, range_ohm, NPLC_MAP)
        if got.overload:
            range_ohm = WIDE_RANGE_OHM
            got = take(ctx, False, range_ohm, NPLC_MAP)
            if got.value is not None and (fit := fitting(abs(got.value), 10e3)) < range_ohm:
                range_ohm = fit
                got = take(ctx, False, range_ohm, NPLC_MAP)
        ctx.read_meter("pair_resistance", got, pin_a=a, pin_b=b, polarity="+", range_ohm=range_ohm)
        if got.value is not None:
            wiring.meter_on(ctx, [b], [a])
            back = take(ctx, False, range_ohm, NPLC_MAP)
            ctx.read_meter("pair_resistance", back, pin_a=a, pin_b=b, polarity="-", range_ohm=range_ohm)
        ctx.progress(f"pins {a} and {b}", done, len(pairs), {"resistance": _meter_conditions(got)})
    wiring.open_all(ctx)


def coil_resistance(ctx: Context) -> None:
    """Each coil four-wire with offset compensation, both polarities, three times."""
    _coils(ctx, REPEATS)


def coil_resistance_once(ctx: Context) -> None:
    """Each coil four-wire with offset compensation, both polarities, once."""
    _coils(ctx, 1)


def _coils(ctx: Context, repeats: int) -> None:
    for done, coil in enumerate(COILS, start=1):
        hi, lo = wiring.coil_pins(ctx, coil)
        range_ohm = _range_of_pair(ctx, hi, lo, FIRST_RANGE_OHM)
        for repeat in range(1, repeats + 1):
            overload = False
            for polarity, (a, b) in (("+", (hi, lo)), ("-", (lo, hi))):
                wiring.meter_on(ctx, [a], [b])
                got, compensated = fine(ctx, range_ohm)
                overload = overload or got.overload
                ctx.read_meter(
                    "coil_resistance",
                    got,
                    coil=coil,
                    wires=wires(ctx),
                    polarity=polarity,
                    range_ohm=range_ohm,
                    nplc=NPLC_FINE,
                    offset_compensation=compensated,
                    repeat=repeat,
                )
                ctx.progress(f"{coil} coil, four-wire", done, len(COILS), {"resistance": _meter_conditions(got)})
            if overload:
                break
    wiring.open_all(ctx)


def has_thermistor(ctx: Context) -> bool:
    """Whether the part has one."""
    return ctx.part.thermistor.kind != "none" and wiring.thermistor(ctx)


def thermistor(ctx: Context) -> None:
    """The thermistor four-wire at a low current, never a range below 10 kohm, three times."""
    _thermistor(ctx, REPEATS)


def thermistor_once(ctx: Context) -> None:
    """The thermistor four-wire at a low current, never a range below 10 kohm, once."""
    _thermistor(ctx, 1)


def _thermistor(ctx: Context, repeats: int) -> None:
    hi, lo = wiring.coil_pins(ctx, "thermistor")
    range_ohm = max(10e3, _range_of_pair(ctx, hi, lo, THERMISTOR_RANGE_OHM))
    wiring.meter_on(ctx, [hi], [lo])
    for _ in range(repeats):
        got = take(ctx, True, range_ohm, NPLC_FINE)
        ctx.read_meter("thermistor_resistance", got, wires=wires(ctx), range_ohm=range_ohm)
        if got.overload:
            break
    ctx.progress("thermistor", 1, 1, {"resistance": _meter_conditions(got)})
    wiring.open_all(ctx)


def leak(ctx: Context) -> None:
    """Coils against the core and each other, thermistor against all, each with both ends joined."""
    everything = [pin for coil in COILS for pin in wiring.coil_pins(ctx, coil)] + [wiring.CORE]
    looks: list[tuple[str, str, Iterable[str], Iterable[str]]] = [
        (coil, "core", wiring.coil_pins(ctx, coil), [wiring.CORE]) for coil in COILS
    ]
    looks += [
        (a, b, wiring.coil_pins(ctx, a), wiring.coil_pins(ctx, b))
        for a, b in (("exc", "sin"), ("exc", "cos"), ("sin", "cos"))
    ]
    if wiring.thermistor(ctx):
        looks.append(("thermistor", "all", wiring.coil_pins(ctx, "thermistor"), everything))
    for done, (from_, to, hi, lo) in enumerate(looks, start=1):
        wiring.meter_on(ctx, hi, lo)
        range_ohm = LEAK_RANGE_OHM
        got = take(ctx, False, range_ohm, NPLC_FINE)
        if got.value is not None and (fit := fitting(abs(got.value), 10e3)) < range_ohm:
            range_ohm = fit
            got = take(ctx, False, range_ohm, NPLC_FINE)
        between: dict[str, Scalar] = {"from": from_, "to": to, "range_ohm": range_ohm}
        ctx.read_meter("leak_resistance", got, **between)
        ctx.progress(f"leak {from_} to {to}", done, len(looks), {"resistance": _meter_conditions(got)})
    wiring.open_all(ctx)


def _range_of_pair(ctx: Context, hi: str, lo: str, otherwise_ohm: float) -> float:
    """The range that fits what the pin map found between two pins."""
    for reading in ctx.readings:
        pair = {reading.conditions.get("pin_a"), reading.conditions.get("pin_b")}
        if reading.quantity == "pair_resistance" and pair == {hi, lo} and isinstance(reading.value, float):
            return fitting(abs(reading.value))
    return otherwise_ohm


def take(ctx: Context, four_wire: bool, range_ohm: float, nplc: float, offset: bool = False) -> MeterReading:
    """One reading. four_wire, offset: as far as this meter has them (its abilities)."""
    able = ctx.bench.multimeter.abilities
    four_wire = four_wire and able.four_wire
    return ctx.bench.multimeter.resistance_ohm(
        four_wire=four_wire,
        range_ohm=range_ohm,
        nplc=nplc,
        offset_compensation=offset and able.compensates(range_ohm, four_wire=four_wire),
    )


def wires(ctx: Context) -> int:
    """4 where this meter has four-wire ohms, else 2."""
    return 4 if ctx.bench.multimeter.abilities.four_wire else 2


def fine(ctx: Context, range_ohm: float) -> tuple[MeterReading, bool]:
    """A coil's reading on a range, and whether thermal EMF was compensated in it."""
    able = ctx.bench.multimeter.abilities
    got = take(ctx, True, range_ohm, NPLC_FINE, offset=True)
    return got, able.compensates(range_ohm, four_wire=able.four_wire)


def _meter_conditions(got: MeterReading) -> str:
    return f"above {got.range_upper:.3g} ohm" if got.value is None else f"{got.value:.5g} ohm"
