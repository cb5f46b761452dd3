"""The rotor at rest at the nulls that a turn on the fly has shown, and between: harmonics, play, the coil's current.

It must never judge a null: where the places lie is asked of the evaluation of the passes (sequences/gates.py), what was
read there is left to it as well. Counter-clockwise at every place, clockwise at every second one: the pairs show the
play, which a turn on the fly can't tell from its delay.
"""

from __future__ import annotations

import math

from rig.control.step import Context
from rig.errors import UsageError
from rig.resolver.turn.ratio import crossings
from sequences.gates import evaluated_passes
from sequences.steps import sampling
from sequences.steps.sweep import run_up_steps, stop_at

PLACES = 16  # at least; more where the outputs have more nulls
CAPTURES, PERIODS = 4, 3  # at each place; of the axis' ringing in each: few records, for each is written and synced
REST_PERIODS = 12  # of the axis' ringing: a long move leaves more of it than the step whose settle was measured
RUN_UP_MECH_DEG = 4.5
ORDERS = 4  # of the pole pairs, in an envelope: where it crosses zero to less than a step


def nulls_ccw(ctx: Context) -> None:
    """Every place, counter-clockwise."""
    places = _places(ctx)
    if places:
        _rest_at(ctx, "nulls_ccw", "ccw", places)


def nulls_cw(ctx: Context) -> None:
    """Every second place, clockwise."""
    places = _places(ctx)[::2]
    if places:
        _rest_at(ctx, "nulls_cw", "cw", places[::-1])


def _rest_at(ctx: Context, series: str, direction: str, places: list[int]) -> None:
    sampling.lengthen(ctx, PERIODS)
    stop_at(ctx, series, direction, places, run_up_steps(ctx, RUN_UP_MECH_DEG), captures=CAPTURES, rest_s=_rest_s(ctx))
    sampling.lengthen(ctx, 1)


def null_places(nulls: list[int], per_turn: int) -> list[int]:
    """Positions (steps, ascending, within one turn): the nulls, and as many even divisions of each gap as make PLACES.

    nulls: steps of the nulls of both outputs in one turn, any order; per_turn: steps of a turn.
    """
    known = sorted({n % per_turn for n in nulls})
    parts = math.ceil(PLACES / len(known)) if known else 1
    ends = [*known[1:], known[0] + per_turn] if known else []
    found = {round(a + i * (b - a) / parts) % per_turn for a, b in zip(known, ends, strict=True) for i in range(parts)}
    return sorted(found)


def _places(ctx: Context) -> list[int]:
    """() of a turn whose outputs show no null, as with an open coil: nothing is then read at rest."""
    turn, axis = evaluated_passes(ctx).turn, ctx.bench.file.axis
    if turn is None or axis is None:
        return []
    u, across_u, v, across_v = turn.envelopes()
    orders = [n * ctx.part.pole_pairs for n in range(1, ORDERS + 1)]
    steps = []
    for along, across in ((u, across_u), (v, across_v)):
        try:
            found = crossings(turn.theta_mech_rad, along, across, orders)
        except UsageError:
            return []
        steps += [round(one.theta_mech_rad / (2.0 * math.pi) * axis.steps_per_turn) for one in found]
    return null_places(steps, axis.steps_per_turn)


def _rest_s(ctx: Context) -> float:
    axis = ctx.bench.file.axis
    return 0.0 if axis is None else REST_PERIODS / axis.ring_hz
