"""Before anything is driven: whose rotor, what people read elsewhere, the air, and whether the part is live.

It must never energise anything. A pin that carries a voltage belongs to a live harness or a charged coil; the gate
after it keeps the meter's ohms and the generator away.
"""

from __future__ import annotations

from drivers.roles import MeterReading
from rig.control.step import Context
from sequences.steps import wiring

DC_RANGE_V = 100.0
AC_RANGE_V = 10.0
AC_BAND_HZ = 200.0
INSULATION_CAUTION = (
    "Insulation test on its own station only: part disconnected from this bench, thermistor pins shorted and tied, "
    "guarded probes, discharge before touching; then repeat the resistances here."
)
CAUTION_WORDS = ("insulation", "withstand", "hipot")


def rotor(ctx: Context) -> None:
    """Put down whose rotor is fitted: own, shop master or none."""
    ctx.read("rotor", ctx.rotor, "", "operator")


def manual(ctx: Context) -> None:
    """Put down what was read elsewhere, each with instrument, qualifier and, for insulation tests, the caution."""
    for entry in ctx.manual:
        risky = any(word in entry.name.lower() for word in CAUTION_WORDS)
        ctx.read(
            "manual",
            entry.value,
            entry.unit,
            entry.instrument or "operator",
            name=entry.name,
            instrument=entry.instrument,
            qualifier=entry.qualifier,
            caution=INSULATION_CAUTION if risky else "",
        )


def has_climate(ctx: Context) -> bool:
    """Whether a probe is there."""
    return ctx.bench.climate is not None


def climate_before(ctx: Context) -> None:
    """Air at the part before the work."""
    _climate(ctx, "before")


def climate_after(ctx: Context) -> None:
    """Air at the part after the work."""
    _climate(ctx, "after")


def _climate(ctx: Context, phase: str) -> None:
    if (probe := ctx.bench.climate) is None:
        return
    air = probe.read()
    name = ctx.bench.name("climate")
    ctx.read("ambient_temperature", air.temperature_degc, "degC", name, phase=phase)
    if air.humidity_pct is not None:
        ctx.read("humidity", air.humidity_pct, "%", name, phase=phase)


def live_voltage(ctx: Context) -> None:
    """Every pin against the core and against the first pin, first all DC, then all AC."""
    all_pins = wiring.pins(ctx)
    looks = [(pin, wiring.CORE) for pin in all_pins] + [(pin, all_pins[0]) for pin in all_pins[1:]]
    for done, (a, b) in enumerate(looks, start=1):
        wiring.meter_on(ctx, [a], [b])
        got = ctx.bench.multimeter.dc_volts(range_v=DC_RANGE_V, nplc=1.0)
        ctx.read_meter("pin_voltage_dc", got, pin_a=a, pin_b=b)
        ctx.progress(f"voltage at pin {a} against {b}", done, 2 * len(looks), {"DC": _meter_conditions(got)})
    for done, (a, b) in enumerate(looks, start=len(looks) + 1):
        wiring.meter_on(ctx, [a], [b])
        got = ctx.bench.multimeter.ac_volts_rms(range_v=AC_RANGE_V, bandwidth_hz=AC_BAND_HZ)
        ctx.read_meter("pin_voltage_ac", got, pin_a=a, pin_b=b)
        ctx.progress(f"voltage at pin {a} against {b}", done, 2 * len(looks), {"AC": _meter_conditions(got)})
    wiring.open_all(ctx)


def _meter_conditions(got: MeterReading) -> str:
    return "over range" if got.value is None else f"{got.value:.4g} {got.unit}"
