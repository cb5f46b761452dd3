"""The rotor turned by hand while the sampler records one capture after the other.

It must never evaluate. The motor, where there is one, is released; nobody knows the rotor's position, and none is
written. Captures follow each other as fast as the sampler allows for twenty seconds of bench time.
"""

from __future__ import annotations

from rig.control.step import Context
from sequences.steps import sampling

SERIES = "hand_turned"
SECONDS = 20.0


def has_rotor(ctx: Context) -> bool:
    """Whether there is anything to turn."""
    return ctx.rotor != "none"


def turned(ctx: Context) -> None:
    """Captures in a row for twenty seconds; the level is watched as in a sweep."""
    if ctx.bench.axis is not None:
        ctx.bench.axis.release()
    sampling.ready(ctx)
    wanted_v, generator_v = ctx.part.excitation.level_v_rms, ctx.facts.get("generator_v_rms", 0.0)
    stated = sampling.conditions(ctx, wanted_v, generator_v)
    begun_s = ctx.clock.now_s()
    taken = 0
    while (gone_s := ctx.clock.now_s() - begun_s) < SECONDS:
        waveform = sampling.take(ctx)
        ctx.capture(SERIES, waveform, **stated, turned="by hand")
        sampling.measure_level(ctx, waveform)
        taken += 1
        left = {"left": f"{SECONDS - gone_s:.0f} s"}
        ctx.progress("turn the rotor by hand, slowly, one turn or more", round(gone_s), round(SECONDS), left)
