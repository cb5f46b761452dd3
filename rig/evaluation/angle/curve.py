"""The error curve of one turn: pole pairs, direction, deviation of both passes, combined.

It must never know a limit or a budget. error = indicated - true, electrical, mean over the turn taken off (best-fit
zero). Passes are combined with a drift term and the closing points (rig/resolver/turn/error_curve.py). Theory:
rig/resolver/README.md, 1.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rig.evaluation.results import ARCMIN_PER_RAD
from rig.evaluation.turn.orders import candidate_orders, largest_gap, stated_teeth
from rig.evaluation.turn.ratios import Turn
from rig.observed import Absent, Observed
from rig.resolver.turn.angle import PolePairs, electrical_angle, pole_pairs
from rig.resolver.turn.commanded_positions import CommandedScale, commanded_scale
from rig.resolver.turn.error_curve import Passes, combine_passes, deviation

Floats = NDArray[np.float64]
MEDIAN_TO_SIGMA = 1.4826  # of a normal distribution


@dataclass(frozen=True, slots=True, kw_only=True)
class AngleCurve:
    """theta_mech_rad (n,) of one turn, ascending; each error in electrical arcmin, mean of the turn taken off:
    ccw, cw (NaN where a pass has no point), mean (both combined). zero_elec_rad: the offset that was taken off.
    closures_elec_arcmin: "ccw", "cw" -> the reading after a whole turn less the first one of that pass;
    u_closure_elec_arcmin: standard uncertainty of half their difference; u_per_turn: of `found.per_turn`."""

    found: PolePairs
    theta_mech_rad: Floats
    ccw: Floats
    cw: Floats
    mean: Floats
    zero_elec_rad: float
    passes: Passes | None
    closures_elec_arcmin: Mapping[str, float]
    u_closure_elec_arcmin: float
    scatter_elec_arcmin: float
    u_per_turn: float = 0.0


def count_pole_pairs(obs: Observed, found: Turn) -> PolePairs:
    """Pole pairs and direction of the run's turn, ambiguous ones too."""
    u, _, v, _ = found.envelopes()
    inside = found.inside
    theta_elec = electrical_angle(u[inside], v[inside])
    nominal = None if obs.lacks(Absent.POLE_PAIRS) else obs.part.pole_pairs
    return pole_pairs(theta_elec, found.theta_mech_rad[inside], nominal=nominal)


def angle_curve(obs: Observed, found: Turn, pairs: PolePairs) -> AngleCurve | None:
    """The error curve of the run's turn; None where its positions can't tell the pole pairs."""
    if pairs.ambiguous:
        return None
    u, _, v, _ = found.envelopes()
    theta_elec = electrical_angle(u, v)
    inside = found.inside
    _, zero = deviation(theta_elec[inside], found.theta_mech_rad[inside], pairs.value, pairs.direction)
    turned, _ = deviation(theta_elec, found.theta_mech_rad, pairs.value, pairs.direction, zero)
    scale = _scale(obs, found, pairs, turned)
    pairs = replace(pairs, per_turn=scale.per_turn)
    return _combined(found, pairs, turned, zero, _per_turn(obs), scale.u)


def _scale(obs: Observed, found: Turn, pairs: PolePairs, turned: Floats) -> CommandedScale:
    """Electrical turns a commanded turn, beside every order that the part's own error may have."""
    inside = found.inside
    theta = found.theta_mech_rad[inside]
    if found.coarse:
        return CommandedScale(pairs.per_turn, 0.0)
    points = len(np.unique(np.round(np.mod(theta, 2.0 * math.pi), 5)))
    orders = candidate_orders(points, pairs.value, stated_teeth(obs, points), (), largest_gap(theta))
    return commanded_scale(theta, turned[inside], pairs.direction * pairs.value, orders)


def _per_turn(obs: Observed) -> int:
    return obs.bench.axis.steps_per_turn if obs.bench.axis else 3200


def _combined(
    found: Turn, pairs: PolePairs, turned: Floats, zero: float, per_turn: int, u_per_turn: float
) -> AngleCurve:
    keys = np.mod(np.rint(found.steps), per_turn).astype(np.int64)
    sides = {}
    for name, mask in (("ccw", found.counter_clockwise), ("cw", ~found.counter_clockwise)):
        at = np.flatnonzero(mask & found.inside)
        sides[name] = dict(zip(keys[at].tolist(), at.tolist(), strict=True))
    both = sorted(set(sides["ccw"]) & set(sides["cw"]))
    closings = _closings(found, turned, keys)
    if len(both) >= 8:
        up, down = np.array([sides["ccw"][k] for k in both]), np.array([sides["cw"][k] for k in both])
        passes: Passes | None = combine_passes(
            turned[up], turned[down], found.at_s[up], found.at_s[down], tuple(closings.values())
        )
        mean = passes.deviation_elec_rad if passes else turned[up]
        theta, ccw, cw = found.theta_mech_rad[up], turned[up], turned[down]
    else:
        only = max(sides.values(), key=len)
        order = np.array([only[k] for k in sorted(only)])
        passes, mean, theta = None, turned[order], found.theta_mech_rad[order]
        absent = np.full(order.size, math.nan)
        forward = only is sides["ccw"]
        ccw, cw = (mean, absent) if forward else (absent, mean)
    theta = np.mod(theta, 2.0 * math.pi)
    rank = np.argsort(theta, kind="stable")
    offset = float(np.mean(mean))
    scatter = passes.scatter_elec_rad if passes else 0.0
    return AngleCurve(
        found=pairs,
        theta_mech_rad=theta[rank],
        ccw=(ccw[rank] - offset) * ARCMIN_PER_RAD,
        cw=(cw[rank] - offset) * ARCMIN_PER_RAD,
        mean=(mean[rank] - offset) * ARCMIN_PER_RAD,
        zero_elec_rad=zero + offset,
        passes=passes,
        closures_elec_arcmin={way: gap * ARCMIN_PER_RAD for way, gap in _closures(found, closings).items()},
        u_closure_elec_arcmin=_u_closure(found, ccw[rank], cw[rank]) * ARCMIN_PER_RAD,
        scatter_elec_arcmin=scatter * ARCMIN_PER_RAD,
        u_per_turn=u_per_turn,
    )


def _closings(found: Turn, turned: Floats, keys: NDArray[np.int64]) -> dict[str, tuple[float, float]]:
    """ "ccw", "cw" -> (last less first reading, seconds between) of each pass that has a closing point."""
    pairs = {}
    for at in np.flatnonzero(found.closing):
        same = (found.counter_clockwise == found.counter_clockwise[at]) & found.inside & (keys == keys[at])
        if np.any(same):
            first = int(np.flatnonzero(same)[0])
            gap = math.remainder(float(turned[at] - turned[first]), 2.0 * math.pi)
            way = "ccw" if found.counter_clockwise[at] else "cw"
            pairs[way] = (gap, float(found.at_s[at] - found.at_s[first]))
    return pairs


def _closures(found: Turn, closings: Mapping[str, tuple[float, float]]) -> dict[str, float]:
    """ "ccw", "cw" -> closure, electrical rad: of a turn on the fly its own, else by the closing points."""
    if found.closures_elec_rad is not None:
        return dict(zip(("ccw", "cw"), found.closures_elec_rad, strict=False))
    return {way: gap for way, (gap, _) in closings.items()}


def _u_closure(found: Turn, ccw: Floats, cw: Floats) -> float:
    """Standard uncertainty of half the difference of both closures, electrical rad.

    Four readings make it, so it is one reading's: by the median step between neighbouring places of the difference of
    both passes (four readings as well), for a rotor that jumps must not count as scatter.
    """
    if found.closures_elec_rad is not None:
        return found.closures_elec_rad[2]
    steps = np.abs(np.diff(ccw - cw))
    return MEDIAN_TO_SIGMA * float(np.median(steps)) / 2.0 if steps.size and np.all(np.isfinite(steps)) else 0.0
