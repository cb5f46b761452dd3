"""The sensor's error apart from the positioner's, from the same part clamped at two or more angles.

It must never know how the curves were measured. Model, mechanical rad, positions theta_i of the axis, clamping k:
    deviation_ki = reading_ki - theta_i = S(x_ki) + P(theta_i) + c_k + once-a-turn part of clamping k + noise
Where the rotor is turned on the spindle and the stator stays clamped, once a turn of the sensor turns with the rotor
like every other order: there is no part of its own, and S and P hold order 1 too (rotor_places.py).
with x_ki the rotor's true place under the sensor: the reading less S itself (so S is evaluated at the reading,
iterated). The offset of a clamping is the mean of its deviations: the sensor is its own protractor, up to whole
electrical cycles. Order by order m_k = S_n exp(j n phi_k) + P_n; with rho_n = |mean exp(j n phi_k)| an order can't be
told apart when rho_n = 1, and var(S_n) = var(one sweep) / (N (1 - rho_n^2)). Clampings that are nearly alike at an
order blow it up, so small singular values of the unit-scaled columns are cut off. Theory: rig/resolver/README.md, 4.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.errors import UsageError
from rig.resolver.axis.clampings import Clamping, read_offset
from rig.resolver.turn.grids import STEPPER_ORDERS, fold_order
from rig.resolver.turn.orders import Orders, design

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
RCOND = 0.03
ROUNDS = 6
SETTLED_RAD = 1e-11  # change of a place between two rounds
COVERED = 0.977249868  # two-sided 95.45 %
OBSERVABLE = 0.9  # share of an order that the solution returns; below it the order counts as not separated


@dataclass(frozen=True, slots=True, kw_only=True)
class Separation:
    """sensor, positioner: orders in mechanical rad; the sensor's over the axis angle in the first clamping.

    offsets_mech_rad (N,): against the first clamping, as read by the sensor. separated: share of each sensor order
    that the solution returns (1 = whole, 1/2 = can't be told apart); factors: var(order) / var(one sweep).
    residual_rms_mech_rad: of one point; reseat_mech_rad: order -> amplitude (rms of each of its two parts) that the
    curve changes by from clamping to clamping, noise included, on reseat_dof degrees of freedom; None with two
    clampings, which can't show it.
    """

    sensor: Orders
    positioner: Orders
    offsets_mech_rad: Floats
    separated: dict[int, float]
    factors: dict[int, float]
    residual_rms_mech_rad: float
    noise_mech_rad: float
    dof: int
    reseat_mech_rad: dict[int, float] | None
    reseat_dof: float
    rounds: int

    @property
    def unobservable(self) -> tuple[int, ...]:
        """Orders that these offsets can't divide between sensor and positioner."""
        return tuple(n for n, share in self.separated.items() if share < OBSERVABLE)


def separate(
    clampings: Sequence[Clamping],
    pole_pairs: int,
    *,
    highest: int | None = None,
    stepper_orders: Sequence[int] = STEPPER_ORDERS,
    noise_mech_rad: float | None = None,
    reseat_mech_rad: Mapping[int, float] | None = None,
    rcond: float = RCOND,
    rotor_places: int = 0,
) -> Separation:
    """Sensor and positioner from N >= 2 clampings (positions may differ in number, but not between them in kind).

    highest: the last order given to both (default 8 pole pairs); stepper_orders are the positioner's alone.
    noise_mech_rad: standard deviation of a point, from elsewhere (scatter of the passes); None takes the residual's.
    reseat_mech_rad: re-seating scatter by order, known from elsewhere; None takes it from three clampings or more.
    rotor_places: even places to which the rotor was turned on the spindle, the stator untouched; their multiples are
    then the sensor's alone. 0: the stator was turned.
    Raises UsageError for fewer than two clampings or too few points.
    """
    if len(clampings) < 2:
        raise UsageError("One clamping can't tell sensor and positioner apart.", next_action="Clamp at least twice.")
    top = highest or 8 * pole_pairs
    least = min(c.theta_mech_rad.size for c in clampings)
    if least < 2 * top + 3:
        raise UsageError(
            f"{least} points a turn can't carry orders up to {top}.",
            next_action=f"Sweep at least {2 * top + 3} points, or ask for fewer orders.",
        )
    cyclic = {fold_order(n, least) for n in stepper_orders} - {0}
    own = [n for n in range(1 if rotor_places else 2, top + 1) if n not in cyclic]
    shared = [n for n in own if not rotor_places or n % rotor_places]
    placed = sorted({*shared, *(n for n in cyclic if 2 * n < least)})
    readings, offsets = _readings(clampings, pole_pairs)
    each = () if rotor_places else (1,)
    solved = _iterate(clampings, readings, own, placed, each, rcond)
    return _make_separation(clampings, offsets, own, placed, solved, noise_mech_rad, reseat_mech_rad)


@dataclass(slots=True, kw_only=True)
class _Solved:
    solution: Floats
    inverse_square: Floats  # covariance for unit noise
    resolution: Floats  # diagonal of the resolution matrix
    residual: Floats
    rank: int
    places: list[Floats]
    rounds: int


def _readings(clampings: Sequence[Clamping], pole_pairs: int) -> tuple[list[Floats], Floats]:
    """(sensor's reading of each clamping as a mechanical angle over the first clamping's axis, offsets)."""
    means = [float(np.mean(c.deviation_mech_rad)) for c in clampings]
    first = means[0]
    base = clampings[0].nominal_offset_mech_rad
    offsets = [0.0]
    offsets += [
        read_offset(mean - first, c.nominal_offset_mech_rad - base, pole_pairs)
        for mean, c in zip(means[1:], clampings[1:], strict=True)
    ]
    readings = [
        c.theta_mech_rad + (c.deviation_mech_rad - mean) + offset
        for c, mean, offset in zip(clampings, means, offsets, strict=True)
    ]
    return readings, np.array(offsets)


def _iterate(
    clampings: Sequence[Clamping],
    readings: list[Floats],
    own: Sequence[int],
    placed: Sequence[int],
    each: Sequence[int],
    rcond: float,
) -> _Solved:
    """Solve, take the sensor's error off the readings to get the true places, solve again."""
    target = np.concatenate([c.deviation_mech_rad - np.mean(c.deviation_mech_rad) for c in clampings])
    rest = _fixed_columns(clampings, placed, each)
    places = readings
    count = 2 * len(own)
    for round_ in range(1, ROUNDS + 1):
        rows = np.hstack([np.vstack([design(x, own)[:, 1:] for x in places]), rest])
        solved = _solve_truncated(rows, target, rcond)
        moved = [
            reading - design(x, own)[:, 1:] @ solved.solution[:count]
            for reading, x in zip(readings, places, strict=True)
        ]
        change = max(float(np.max(np.abs(a - b))) for a, b in zip(moved, places, strict=True))
        places, solved.places, solved.rounds = moved, moved, round_
        if change < SETTLED_RAD:
            break
    return solved


def _fixed_columns(clampings: Sequence[Clamping], placed: Sequence[int], each: Sequence[int]) -> Floats:
    """Columns that don't move with the iteration: the positioner's orders, constant and `each` orders of a clamping."""
    sizes = [c.theta_mech_rad.size for c in clampings]
    rows = np.vstack([design(c.theta_mech_rad, placed)[:, 1:] for c in clampings])
    wide = 1 + 2 * len(each)
    own = np.zeros((sum(sizes), wide * len(clampings)))
    start = 0
    for k, clamping in enumerate(clampings):
        own[start : start + sizes[k], wide * k : wide * (k + 1)] = design(clamping.theta_mech_rad, each)
        start += sizes[k]
    return np.hstack([rows, own])


def _solve_truncated(rows: Floats, target: Floats, rcond: float) -> _Solved:
    """Least squares with unit-scaled columns; singular values below rcond of the largest are cut off.

    Taken from the normal equations: their squared condition is harmless at a cut-off of a few hundredths.
    """
    scale = np.sqrt(np.sum(rows**2, axis=0))
    scaled = rows / scale
    squares, vectors = np.linalg.eigh(scaled.T @ scaled)
    kept = squares > rcond**2 * squares[-1]
    inverse_square = (vectors[:, kept] / squares[kept]) @ vectors[:, kept].T
    solution = inverse_square @ (scaled.T @ target) / scale
    return _Solved(
        solution=solution,
        inverse_square=inverse_square / np.multiply.outer(scale, scale),
        resolution=np.sum(vectors[:, kept] ** 2, axis=1),
        residual=target - rows @ solution,
        rank=int(np.sum(kept)),
        places=[],
        rounds=0,
    )


def _make_separation(
    clampings: Sequence[Clamping],
    offsets: Floats,
    own: Sequence[int],
    placed: Sequence[int],
    solved: _Solved,
    noise: float | None,
    reseat: Mapping[int, float] | None,
) -> Separation:
    dof = solved.residual.size - solved.rank
    residual = math.sqrt(float(np.sum(solved.residual**2)) / max(1, dof))
    sigma = residual if noise is None else noise
    count, points = len(own), float(np.mean([c.theta_mech_rad.size for c in clampings]))
    share = solved.resolution[: 2 * count].reshape(-1, 2).mean(axis=1)
    gain = np.diag(solved.inverse_square)[: 2 * count].reshape(-1, 2).mean(axis=1) * points / 2.0
    separated = {n: s if n in placed else 0.5 for n, s in zip(own, share.tolist(), strict=True)}
    factors = {n: float(g) if separated[n] >= OBSERVABLE else math.inf for n, g in zip(own, gain, strict=True)}
    reseat_dof = math.inf
    if len(clampings) > 2 and reseat is None:
        reseat = _reseat(clampings, separated, solved)
        reseat_dof = 2.0 * (len(clampings) - 2)
    covariance = sigma**2 * solved.inverse_square
    ends = (0, 2 * count, 2 * count + 2 * len(placed))
    found = []
    for orders, start, end in ((own, ends[0], ends[1]), (placed, ends[1], ends[2])):
        block = covariance[start:end, start:end] + np.diag(_reseat_variance(orders, reseat or {}, factors, reseat_dof))
        found.append(_orders(orders, solved.solution[start:end], block, residual, dof))
    return Separation(
        sensor=found[0],
        positioner=found[1],
        offsets_mech_rad=offsets,
        separated=separated,
        factors=factors,
        residual_rms_mech_rad=residual,
        noise_mech_rad=sigma,
        dof=dof,
        reseat_mech_rad=dict(reseat) if reseat is not None else None,
        reseat_dof=reseat_dof,
        rounds=solved.rounds,
    )


def _orders(orders: Sequence[int], solution: Floats, covariance: Floats, residual: float, dof: int) -> Orders:
    whole = np.zeros((1 + solution.size, 1 + solution.size))
    whole[1:, 1:] = covariance
    return Orders(
        orders=tuple(orders),
        coefficients=solution[0::2] + 1j * solution[1::2],
        constant=0.0,
        covariance=whole,
        residual_rms=residual,
        dof=dof,
    )


def _reseat(clampings: Sequence[Clamping], separated: Mapping[int, float], solved: _Solved) -> dict[int, float]:
    """What each order scatters by between clampings, from the residual's orders clamping by clamping.

    Noise is included: a set that came out well by luck is no proof of a good seat. Of N clampings sensor and
    positioner have taken two (one where the order is not separated).
    """
    sizes = [c.theta_mech_rad.size for c in clampings]
    parts = np.split(solved.residual, np.cumsum(sizes)[:-1])
    own = np.array(list(separated))
    lines = np.array(
        [
            (2.0 / c.theta_mech_rad.size) * np.exp(-1j * np.multiply.outer(own, c.theta_mech_rad)) @ part
            for c, part in zip(clampings, parts, strict=True)
        ]
    )
    left = np.array([len(clampings) - (2 if share >= OBSERVABLE else 1) for share in separated.values()])
    power = np.sum(np.abs(lines) ** 2, axis=0) / (2.0 * left)
    return dict(zip(own.tolist(), np.sqrt(power).tolist(), strict=True))


def _reseat_variance(
    orders: Sequence[int], reseat: Mapping[int, float], factors: Mapping[int, float], dof: float
) -> Floats:
    """Re-seating goes through the solution as noise does; an order that is not separated keeps its noise only.

    Known from few clampings it is widened, so that twice the standard uncertainty still covers 95.45 %.
    """
    wider = few_dof_factor(dof) ** 2
    added = [
        reseat.get(n, 0.0) ** 2 * factors[n] * wider if math.isfinite(factors.get(n, math.inf)) else 0.0 for n in orders
    ]
    return np.repeat(np.array(added), 2)


def few_dof_factor(dof: float) -> float:
    """Coverage factor at 95.45 % for these degrees of freedom over that of infinitely many."""
    from scipy import special

    return 1.0 if math.isinf(dof) else float(special.stdtrit(dof, COVERED)) / 2.0
