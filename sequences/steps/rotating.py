"""The outputs with the excitation off while the rotor turns: a good turn each way at the axis own speed, a record each.

It must never evaluate. A voltage that comes with the turning is a magnet's. The record lies in the steady part of the
move, between the ramps; low-rate, for the orders of a turn are slow. The axis ends where it began.
Definitions: rig/evaluation/README.md.
"""

from __future__ import annotations

from rig.control.step import CHANNELS, Context
from rig.errors import PositionLost, UsageError
from rig.quantity import Scalar
from sequences.steps import sampling, wiring

SERIES = "background_turning"
RATE_HZ = 20_000.0
RECORD_DEG = 420.0  # of steady turning, mechanical: a turn, and what a running mean costs
QUIET_S = 30.0  # what any step may be silent for, beside the turning itself
MARGIN_DEG = 18.0  # of steady turning before and after the record, mechanical


def background_turning(ctx: Context) -> None:
    """A good turn counter-clockwise and back, with everything connected and the excitation off."""
    axis, device, sampler = ctx.bench.axis, ctx.bench.file.axis, ctx.bench.sampler
    if axis is None or device is None:
        raise UsageError(f"bench {ctx.bench.file.name} has no axis.", next_action="Leave the step out.")
    wiring.output_off(ctx)
    wiring.part_connected(ctx)
    record_s = RECORD_DEG / device.max_deg_s
    rate_hz = min(RATE_HZ, ctx.bench.file.sampler.sample_rate_hz, sampler.abilities.max_rate_hz)
    rate_hz = min(rate_hz, sampler.abilities.max_samples / record_s)
    ctx.facts["sampler set up"] = False
    sampler.configure(
        ranges_v=(ctx.bench.file.sampler.range_v,) * len(CHANNELS),
        sample_rate_hz=rate_hz,
        samples=min(round(record_s * rate_hz), sampler.abilities.max_samples),
        channels=CHANNELS,
    )
    ramp_s = device.max_deg_s / device.accel_deg_s2
    ctx.bench.watchdog.progress(QUIET_S + 2.0 * (record_s + 2.0 * ramp_s))  # a slow axis is silent for long
    around_deg = device.max_deg_s * ramp_s + 2.0 * MARGIN_DEG
    if (begin := axis.position_steps()) is None:
        raise PositionLost(
            "its position is not known, so it can't turn there and back",
            instrument=ctx.bench.name("axis"),
            next_action="Index the axis first.",
        )
    end = begin + round((RECORD_DEG + around_deg) / 360.0 * axis.steps_per_turn)
    for direction, target in (("ccw", end), ("cw", begin)):
        where: dict[str, Scalar] = {"direction": direction, "speed_mech_deg_s": device.max_deg_s}
        sampler.arm()
        axis.move_to(target)
        ctx.clock.sleep(ramp_s + MARGIN_DEG / device.max_deg_s / 2.0)
        sampler.trigger()
        sampler.wait_captured()
        axis.wait_stopped(device.settle_s)
        ctx.capture(SERIES, sampler.fetch(), **sampling.conditions(ctx, 0.0, 0.0), **where)
        ctx.progress(f"turning {direction}, excitation off", 1 + (direction == "cw"), 2)
    wiring.open_all(ctx)
