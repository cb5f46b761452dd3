"""Which relays connect what: meter to pins, excitation bus and sampler inputs to coils; break before make.

It must never know a switch's make: channels come from the bench file's rows and the holder's columns. Every change
goes through `route`, which opens what is not wanted before it closes what is; the bench's switch refuses while the
output is on or the axis moves.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from itertools import combinations

from rig.control.step import Context
from rig.errors import SafetyStop, UsageError
from rig.resolver.part import COILS

CORE = "core"


def route(ctx: Context, wanted: Iterable[int]) -> None:
    """Close exactly the wanted channels: first open the others, then make. Raises SafetyStop under power."""
    ctx.check_stop()
    target = set(wanted)
    closed = set(ctx.bench.switch.closed_channels())
    if extra := sorted(closed - target):
        ctx.bench.switch.open_channels(extra)
    if missing := sorted(target - closed):
        ctx.bench.switch.close_channels(missing)


def open_all(ctx: Context) -> None:
    """No relay closed. A person's leads and plug stay: steps of hands move them, the bench's closing leaves them."""
    if ctx.bench.hands is None:
        ctx.bench.switch.open_all()


def output_off(ctx: Context) -> None:
    """Output off and read back. Raises SafetyStop when it stays on."""
    ctx.bench.generator.output(False)
    if ctx.bench.generator.output_is_on():
        raise SafetyStop(
            "the generator's output did not go off.",
            code="output-stuck",
            next_action="Press the emergency stop, then look at the generator.",
        )


def _channel(ctx: Context, row: str, pin: str) -> int:
    return ctx.bench.file.switch.channel(row, ctx.holder.column(ctx.holder.core_pin if pin == CORE else pin))


def pins(ctx: Context) -> list[str]:
    """Connector pins of the part, those it names empty included, in the order of the holder."""
    known = set(ctx.part.pins.values()) | set(ctx.part.empty_pins)
    for pin in known:
        ctx.holder.column(pin)
    return [pin for pin in ctx.holder.channels if pin in known and pin != ctx.holder.core_pin]


def pairs(ctx: Context, *, every: bool = True) -> list[tuple[str, str]]:
    """Pairs of pins, the core among them. every False: each coil's own, one between neighbours, each coil to core."""
    if every:
        return list(combinations([*pins(ctx), CORE], 2))
    p = ctx.part.pins
    own = [(p[f"{coil}_hi"], p[f"{coil}_lo"]) for coil in COILS]
    if thermistor(ctx):
        own.append((p["thermistor_hi"], p["thermistor_lo"]))
    between = [(a[0], b[0]) for a, b in combinations(own, 2)]
    return own + between + [(a[0], CORE) for a in own]


def thermistor(ctx: Context) -> bool:
    """Whether the part has thermistor pins."""
    return "thermistor_hi" in ctx.part.pins and "thermistor_lo" in ctx.part.pins


def meter_on(ctx: Context, hi: Iterable[str], lo: Iterable[str]) -> None:
    """The meter's HI on some pins, its LO on others; nothing else connected."""
    route(
        ctx,
        [_channel(ctx, "meter_hi", pin) for pin in hi] + [_channel(ctx, "meter_lo", pin) for pin in lo],
    )


def coil_pins(ctx: Context, coil: str) -> tuple[str, str]:
    """Connector pins of a coil (exc, sin, cos) or of the thermistor, high end first."""
    return ctx.part.pins[f"{coil}_hi"], ctx.part.pins[f"{coil}_lo"]


def part_connected(ctx: Context, *, crossed: bool = False, besides: Iterable[int] = ()) -> None:
    """Excitation bus on the excitation coil, sampler inputs on sine and cosine.

    crossed: sine coil on the cosine input and the other way round. besides: relays of their own that close with it.
    """
    if ctx.bench.hands is not None:  # a step of hands put the plug on, and proved it
        return
    coil_on = {"exc": "exc", "sin": "cos", "cos": "sin"} if crossed else {coil: coil for coil in COILS}
    rows: Mapping[str, str] = {f"{coil}_{end}": f"{coil_on[coil]}_{end}" for coil in COILS for end in ("hi", "lo")}
    route(ctx, [*(_channel(ctx, row, ctx.part.pins[terminal]) for row, terminal in rows.items()), *besides])


def coil_driven(ctx: Context, coil: str) -> None:
    """Excitation bus on one coil, all others open."""
    if ctx.bench.hands is not None and coil == "exc":
        return
    hi, lo = coil_pins(ctx, coil)
    route(ctx, [_channel(ctx, "exc_hi", hi), _channel(ctx, "exc_lo", lo)])


def special(ctx: Context, which: str) -> None:
    """One of the bench's own relays: loopback, lead_short, check_resistor, ratio_standard; nothing else closed."""
    if ctx.bench.hands is not None:  # a person put it there, and a reading proved it
        return
    channel = getattr(ctx.bench.file.switch, which)
    if channel is None:
        raise UsageError(
            f"bench {ctx.bench.file.name} has no relay for {which}.",
            next_action=f"Write switch.{which} into the bench file, or leave the step out.",
        )
    route(ctx, [channel])
