"""The rotor turned and sampled: index, sweeps both ways, spots of the quick screen.

It must never evaluate. Positions are step counts that divide one turn; each pass is approached from its own side
with a run-up and ends with the closing point one turn later. Pipelined: the next move starts as soon as a capture
is complete; its record is fetched and written while the axis moves, the sampler is armed before the axis has settled
(within a few per cent of move + settle + capture).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from rig.control.guarded import GuardedAxis
from rig.control.step import Context
from rig.description.benches import AxisDevice
from rig.errors import UsageError
from rig.quantity import Scalar
from rig.resolver.turn.grids import good_sweep_points
from sequences.steps import excitation, sampling, settling

RUN_UP = 4  # grid steps
SPOTS = 8
MOVE_MARGIN_S = 0.003  # what a move may take beyond its computed time
ANSWER = "axis answers after, s"  # fact: the quickest answer after a dwell
ANSWER_SHARE = 0.1  # of the settle, at most
FRAME = "frame, steps"  # fact: what a position counted from the first index lies above the axis' own count
CUSTOMARY = (320, 400, 640)


def can_turn(ctx: Context) -> bool:
    """Whether a rotor is fitted and an axis turns it."""
    return ctx.rotor != "none" and ctx.bench.axis is not None


def _axis(ctx: Context) -> tuple[GuardedAxis, AxisDevice]:
    axis, device = ctx.bench.axis, ctx.bench.file.axis
    if axis is None or device is None:
        raise UsageError(f"bench {ctx.bench.file.name} has no axis.", next_action="Leave the sweep out.")
    return axis, device


def run_up_steps(ctx: Context, play_mech_deg: float, *, at_full_speed: bool = False) -> int:
    """Steps that a pass begins before its first place: a stretch for the axis' play (mechanical degrees), and one ramp
    where the place is passed at full speed. Raises UsageError for a bench without an axis."""
    _, device = _axis(ctx)
    ramp_deg = device.max_deg_s**2 / (2.0 * device.accel_deg_s2) if at_full_speed else 0.0
    return round((ramp_deg + play_mech_deg) / 360.0 * device.steps_per_turn)


def points_per_turn(ctx: Context) -> int:
    """The bench file's own number, else the one that folds nothing onto an electrical order."""
    axis, device = _axis(ctx)
    turn = axis.steps_per_turn
    points = device.sweep_points or _choose(good_sweep_points(turn, ctx.part.pole_pairs, ctx.part.teeth))
    if points < 2 or turn % points:
        raise UsageError(
            f"no usable grid: {points} points on the {turn} steps of one turn.",
            next_action="Give axis.sweep_points in the bench file: 320, 400 or 640 on a 3200-step axis.",
        )
    return points


def _choose(good: tuple[int, ...]) -> int:
    """A customary count when it is good, else the smallest that is dense enough, else the largest; 0 for none."""
    customary = [n for n in CUSTOMARY if n in good]
    dense = [n for n in good if n >= CUSTOMARY[0]]
    return [*customary, *dense, *reversed(good), 0][0]


def index_first(ctx: Context) -> None:
    """Seek the index; positions count from there."""
    _index(ctx, "first")


def index_between(ctx: Context) -> None:
    """Seek the index between the passes; the second keeps the first one's count, whatever was found."""
    _index(ctx, "between")


def index_again(ctx: Context) -> None:
    """Seek the index anew: the steps between where it was expected and where it was found."""
    _index(ctx, "again")


def _index(ctx: Context, phase: str) -> None:
    axis, device = _axis(ctx)
    found = _seek(ctx, phase)
    if phase == "first":
        ctx.read("step_settle_s", device.settle_s, "s", ctx.bench.name("axis"))
        if ctx.facts.get("generator_v_rms", 0.0) > 0.0:
            settling.measure(ctx, max(1, axis.steps_per_turn // CUSTOMARY[0]))
        if ctx.bench.encoder is not None:
            settling.measure_by_encoder(ctx, max(1, axis.steps_per_turn // CUSTOMARY[0]))
    ctx.progress("index", 1, 1, {"found": f"{found} steps off"})


def _seek(ctx: Context, phase: str) -> int:
    """What the axis found; a search after the position was lost is a "first" one, for it compares nothing."""
    axis, _ = _axis(ctx)
    axis.hold()
    stood = axis.position_steps() if axis.position_known else None
    found = axis.index()
    turn = axis.steps_per_turn
    if phase == "first" or stood is None:
        phase, ctx.facts[FRAME] = "first", 0
    else:
        ctx.facts[FRAME] = ctx.facts.get(FRAME, 0) + round(stood / turn) * turn + found
    ctx.read("index_found", found, "steps", ctx.bench.name("axis"), phase=phase)
    return found


def at_index_and_level(ctx: Context) -> None:
    """Before a repeat that counts steps under excitation: index sought again, then the coil driven as it was."""
    at_index(ctx)
    excitation.at_level_again(ctx)


def at_index(ctx: Context) -> None:
    """Before a repeat that counts steps: relays open, and the index sought again where it had been found before."""
    excitation.nothing_connected(ctx)
    if ctx.bench.axis is not None and ctx.select("index_found"):
        _seek(ctx, "again")


def sweep_ccw(ctx: Context) -> None:
    """One turn counter-clockwise and its closing point."""
    _turn(ctx, "sweep_ccw", "ccw")


def sweep_cw(ctx: Context) -> None:
    """One turn clockwise, back to the index, and its closing point."""
    _turn(ctx, "sweep_cw", "cw")


def sweep_ccw_again(ctx: Context) -> None:
    """The counter-clockwise pass once more, kept beside the first."""
    _turn(ctx, "sweep_ccw_again", "ccw")


def sweep_cw_again(ctx: Context) -> None:
    """The clockwise pass once more, kept beside the first."""
    _turn(ctx, "sweep_cw_again", "cw")


def _turn(ctx: Context, series: str, direction: str) -> None:
    axis, _ = _axis(ctx)
    points = points_per_turn(ctx)
    step = axis.steps_per_turn // points
    positions = [i * step for i in range(points + 1)]
    _pass(ctx, series, direction, positions if direction == "ccw" else positions[::-1], RUN_UP * step)


def spots(ctx: Context) -> None:
    """Eight spots over one electrical cycle and the one that closes it."""
    axis, _ = _axis(ctx)
    cycle = axis.steps_per_turn / ctx.part.pole_pairs
    positions = [round(i * cycle / SPOTS) for i in range(SPOTS + 1)]
    _pass(ctx, "spots", "ccw", positions, RUN_UP * 10)


def _pass(ctx: Context, series: str, direction: str, positions: Sequence[int], run_up: int) -> None:
    """A pass that ends with its closing point."""
    stop_at(ctx, series, direction, positions, run_up, closes=True)


def stop_at(
    ctx: Context,
    series: str,
    direction: str,
    positions: Sequence[int],
    run_up: int,
    *,
    captures: int = 1,
    rest_s: float = 0.0,
    closes: bool = False,
) -> None:
    """Captures at rest at positions in the order of travel (steps from the first index).

    direction: "ccw" or "cw"; run_up: steps before the first; captures: at each; rest_s: waited beside
    the settle, where moves are longer than the grid's; closes: the last is the closing point.
    """
    axis, _ = _axis(ctx)
    sampler = ctx.bench.sampler
    sampling.ready(ctx)
    sign = 1 if direction == "ccw" else -1
    frame = ctx.facts.get(FRAME, 0)
    axis.move_to(positions[0] - frame - sign * run_up)
    axis.wait_stopped()
    ctx.check_stop()
    step = abs(positions[1] - positions[0])  # the last approach is one of the grid: it swings like all others
    axis.move_to(positions[0] - frame - sign * step)
    axis.wait_stopped(settling.settle_s(ctx))
    ctx.check_stop()
    sampler.arm()
    axis.move_to(positions[0] - frame)
    _wait_settled(ctx, ctx.clock.now_s(), step)
    wanted_v, generator_v = ctx.part.excitation.level_v_rms, ctx.facts.get("generator_v_rms", 0.0)
    stated = sampling.conditions(ctx, wanted_v, generator_v)
    last = len(positions) - 1
    for point, position in enumerate(positions):
        where: dict[str, Scalar] = {
            "position_steps": position,
            "direction": direction,
            "point": point,
            "closing": closes and point == last,
        }
        ctx.clock.sleep(rest_s)
        for _ in range(captures - 1):
            sampler.trigger()
            sampler.wait_captured()
            ctx.capture(series, sampler.fetch(), **stated, **where)
            sampler.arm()
        sampler.trigger()
        sampler.wait_captured()
        encoder_deg = ctx.bench.encoder.angle_mech_deg() if ctx.bench.encoder is not None else None
        if point < last:
            axis.move_to(positions[point + 1] - frame)
        moved_s = ctx.clock.now_s()
        waveform = sampler.fetch()
        if point < last:
            sampler.arm()
        ctx.capture(series, waveform, **stated, **where)
        if encoder_deg is not None:
            ctx.read("encoder_angle", encoder_deg, "deg", ctx.bench.name("encoder"), series=series, **where)
        sampling.measure_level(ctx, waveform)
        _show(ctx, direction, point, last, position)
        if point < last:
            _wait_settled(ctx, moved_s, abs(positions[point + 1] - position))


def _wait_settled(ctx: Context, moved_s: float, steps: int) -> None:
    """Motion ended and settled; what the record's transfer took beyond the move's own time counts as settling, and so
    does what the axis took to answer after its dwell, as the quickest answer so far shows it."""
    axis, device = _axis(ctx)
    settle_s, move_s = settling.settle_s(ctx), move_time_s(device, steps)
    over_s = max(0.0, ctx.clock.now_s() - moved_s - move_s - MOVE_MARGIN_S)
    answer_s = min(ctx.facts.get(ANSWER, 0.0), ANSWER_SHARE * settle_s)
    dwell_s = max(0.0, settle_s - over_s - answer_s)
    axis.wait_stopped(dwell_s)
    if not over_s:
        late_s = max(0.0, ctx.clock.now_s() - moved_s - move_s - dwell_s - MOVE_MARGIN_S)
        ctx.facts[ANSWER] = min(ctx.facts.get(ANSWER, late_s), late_s)


def move_time_s(device: AxisDevice, steps: int) -> float:
    """How long a move takes at the stated speed and acceleration (trapezoid), s."""
    distance_deg = 360.0 * steps / device.steps_per_turn
    v, a = device.max_deg_s, device.accel_deg_s2
    return 2.0 * math.sqrt(distance_deg / a) if distance_deg <= v * v / a else distance_deg / v + v / a


def _show(ctx: Context, direction: str, point: int, last: int, position: int) -> None:
    axis, _ = _axis(ctx)
    angle_mech_deg = 360.0 * position / axis.steps_per_turn
    ctx.progress(f"sweep {direction}", point + 1, last + 1, {"angle (mechanical)": f"{angle_mech_deg:.3f} deg"})
