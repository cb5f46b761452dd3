"""The rotor turned steadily while the sampler records: one long record each way, step pulses on the current's channel.

It must never evaluate. The axis runs two turns and its ramps at its own speed; its step pulses come in through a relay
of their own, which joins them to the current's input before the output goes on, so that no host's timestamp is needed.
The record outlasts the move: its last pulse stands for the target. What runs up and down is left to evaluation.
Theory: rig/signal/README.md, 4.
"""

from __future__ import annotations

from collections.abc import Callable

from rig.control.step import Context
from rig.errors import UsageError
from rig.quantity import Scalar
from sequences.steps import excitation, sampling
from sequences.steps.sweep import can_turn, move_time_s, run_up_steps

CHANNELS = ("exc_v", "pulses", "sin", "cos")
TURNS = 2
PLAY_MECH_DEG = 18.0  # at full speed before the turn begins, for the axis' play
TAIL_S = 0.25  # what the record is longer than the move, the trigger's delay included
CYCLE_SAMPLES = 8.0  # of a carrier cycle, at least
PULSE_SAMPLES = 8.0  # of a pulse's period, at least


def can_turn_on_the_fly(ctx: Context) -> bool:
    """Whether a rotor turns and its step pulses reach the sampler, at a rate that shows carrier and pulses."""
    if not can_turn(ctx) or ctx.bench.file.switch.step_pulses is None:
        return False
    try:
        _rate_hz(ctx, _seconds(ctx))
    except UsageError:
        return False
    return True


def turns_in_steps(ctx: Context) -> bool:
    """Whether what turns on the fly elsewhere is swept in steps here."""
    return not can_turn_on_the_fly(ctx)


def on_the_fly(when: Callable[[Context], bool]) -> Callable[[Context], bool]:
    """A step's condition, on a bench that turns on the fly."""
    return lambda ctx: can_turn_on_the_fly(ctx) and when(ctx)


def in_steps(when: Callable[[Context], bool]) -> Callable[[Context], bool]:
    """A step's condition, on a bench that sweeps in steps."""
    return lambda ctx: turns_in_steps(ctx) and when(ctx)


def pulses_at_sampler(ctx: Context) -> None:
    """Whether this bench can clock a turn, asked before anything is done. Raises UsageError where it can't."""
    if can_turn(ctx):
        _relay(ctx)
        _rate_hz(ctx, _seconds(ctx))


def excite(ctx: Context) -> None:
    """Excitation up with the pulses joined to the current's input; they rest while the axis does."""
    excitation.excite(ctx, besides=(_relay(ctx),) if can_turn(ctx) else ())


def turn_ccw(ctx: Context) -> None:
    """Two turns counter-clockwise, recorded whole."""
    _turned(ctx, "turning_ccw", "ccw")


def turn_cw(ctx: Context) -> None:
    """Two turns clockwise, recorded whole."""
    _turned(ctx, "turning_cw", "cw")


def turn_ccw_again(ctx: Context) -> None:
    """The counter-clockwise pass once more, kept beside the first."""
    _turned(ctx, "turning_ccw_again", "ccw")


def turn_cw_again(ctx: Context) -> None:
    """The clockwise pass once more, kept beside the first."""
    _turned(ctx, "turning_cw_again", "cw")


def _relay(ctx: Context) -> int:
    channel = ctx.bench.file.switch.step_pulses
    if channel is None:
        raise UsageError(
            f"bench {ctx.bench.file.name} has no relay for the step pulses.",
            next_action="Write switch.step_pulses into the bench file, or sweep in steps (full_test).",
        )
    return channel


def _run_up(ctx: Context) -> int:
    return run_up_steps(ctx, PLAY_MECH_DEG, at_full_speed=True)


def _seconds(ctx: Context) -> float:
    """Of one record."""
    device, run_up = ctx.bench.file.axis, _run_up(ctx)
    return TAIL_S if device is None else move_time_s(device, TURNS * device.steps_per_turn + 2 * run_up) + TAIL_S


def _rate_hz(ctx: Context, seconds: float) -> float:
    """The highest rate at which the record fits the sampler. Raises UsageError where it is too low."""
    able, device, axis = ctx.bench.sampler.abilities, ctx.bench.file.sampler, ctx.bench.file.axis
    rate_hz = min(device.sample_rate_hz, able.max_rate_hz, able.max_samples / seconds)
    pulses_hz = 0.0 if axis is None else axis.max_deg_s / 360.0 * axis.steps_per_turn
    least_hz = max(CYCLE_SAMPLES * ctx.part.excitation.frequency_hz, PULSE_SAMPLES * pulses_hz)
    if rate_hz < least_hz:
        raise UsageError(
            f"{able.max_samples} samples over {seconds:.1f} s make {rate_hz:.0f} samples/s; carrier and step pulses "
            f"need {least_hz:.0f}.",
            next_action="Sweep in steps (full_test), or use a sampler with longer records.",
        )
    return rate_hz


def _turned(ctx: Context, series: str, direction: str) -> None:
    axis, sampler, device = ctx.bench.axis, ctx.bench.sampler, ctx.bench.file.axis
    if axis is None or device is None:
        raise UsageError(f"bench {ctx.bench.file.name} has no axis.", next_action="Use another sequence.")
    run_up, seconds = _run_up(ctx), _seconds(ctx)
    ends = (-run_up, TURNS * axis.steps_per_turn + run_up)
    start, stop = ends if direction == "ccw" else ends[::-1]
    rate_hz = _rate_hz(ctx, seconds)
    samples = min(round(seconds * rate_hz), sampler.abilities.max_samples)
    ranges_v = (ctx.bench.file.sampler.range_v,) * len(CHANNELS)
    sampler.configure(ranges_v=ranges_v, sample_rate_hz=rate_hz, samples=samples, channels=CHANNELS)
    ctx.facts["sampler set up"] = False
    axis.move_to(start)
    axis.wait_stopped(device.settle_s)
    ctx.check_stop()
    stated = sampling.conditions(ctx, ctx.part.excitation.level_v_rms, ctx.facts.get("generator_v_rms", 0.0))
    where: dict[str, Scalar] = {"direction": direction, "start_steps": start, "stop_steps": stop, "pulse_steps": 1}
    sampler.arm()
    axis.move_to(stop)
    sampler.trigger()
    sampler.wait_captured()
    axis.wait_stopped()
    waveform = sampler.fetch()
    ctx.capture(series, waveform, **stated, **where)
    found = sampling.level(ctx, waveform)
    ctx.bench.guard.check_measured(found.total_v_rms, found.a_rms)
    ctx.progress(f"turn {direction}", 1, 1, {"turns": f"{TURNS} at {device.max_deg_s / 6.0:.0f} 1/min (mechanical)"})
