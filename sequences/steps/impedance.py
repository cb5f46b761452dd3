"""Impedances: one coil at a time driven at a low level over the turn, all others open.

It must never judge. Relays switch only with the output off; the level falls where the current would pass half its
ceiling.
"""

from __future__ import annotations

from rig.control.step import Context
from sequences.steps import sampling, wiring
from sequences.steps.excitation import SETTLE_S, _gain, down, harmless_v, switch_on

IMPEDANCE_V_RMS = 2.0

IMPEDANCE_POINTS = 16


def impedance_sin(ctx: Context) -> None:
    """The sine coil driven at a low level at positions over the turn, all others open."""
    _impedance(ctx, "sin")


def impedance_cos(ctx: Context) -> None:
    """The cosine coil driven at a low level at positions over the turn, all others open."""
    _impedance(ctx, "cos")


def impedance_exc(ctx: Context) -> None:
    """The excitation coil driven at a low level, all others open."""
    _impedance(ctx, "exc")


def _impedance(ctx: Context, coil: str) -> None:
    wiring.output_off(ctx)
    wiring.coil_driven(ctx, coil)
    wanted_v = min(IMPEDANCE_V_RMS, ctx.part.excitation.level_v_rms, harmless_v(ctx, coil))
    generator_v, first = switch_on(ctx, wanted_v)
    found = sampling.measure_level(ctx, first)
    if found.a_rms > 0 and found.a_rms > ctx.part.excitation.ceiling_a_rms / 2:
        wanted_v *= ctx.part.excitation.ceiling_a_rms / 2 / found.a_rms
        generator_v = wanted_v / _gain(ctx)
        ctx.bench.generator.level_v_rms(generator_v)
        ctx.clock.sleep(SETTLE_S)
    axis, device = ctx.bench.axis, ctx.bench.file.axis
    for i in range(IMPEDANCE_POINTS):
        where: dict[str, int] = {}
        if axis is not None and device is not None and axis.position_known:
            where = {"position_steps": round(i * axis.steps_per_turn / IMPEDANCE_POINTS)}
            axis.move_to(where["position_steps"])
            axis.wait_stopped(device.settle_s)
        waveform = sampling.take(ctx)
        sampling.measure_level(ctx, waveform)
        ctx.capture(f"impedance_{coil}", waveform, **sampling.conditions(ctx, wanted_v, generator_v), **where)
        ctx.progress(f"impedance of the {coil} coil", i + 1, IMPEDANCE_POINTS)
    down(ctx, generator_v)
    wiring.open_all(ctx)
