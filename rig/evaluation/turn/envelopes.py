"""The signed envelopes of one turn, place by place, and what they are made of: orders a mechanical turn.

It must never know a limit or a budget. Both passes are averaged where they stood on the same step, so that the play of
the axis is no scatter; the motor's own cyclic orders are fitted beside the part's, so that they are none either.
Ratios to the excitation; angles mechanical rad. Theory: rig/resolver/README.md, 1.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rig.evaluation.turn.ratios import Turn
from rig.observed import Observed
from rig.resolver.turn.grids import fold_order
from rig.resolver.turn.noise import noise_of, parameter_shifts, without_lines
from rig.resolver.turn.orders import KEEP_CHI2, Orders, fit_orders
from rig.uncertainty.coverage import COVERAGE

Complexes = NDArray[np.complex128]
Floats = NDArray[np.float64]
SEED, TRIALS = 20_253, 1000  # of the choice of orders: the same run always gives the same figures


@dataclass(frozen=True, slots=True, kw_only=True)
class Envelope:
    """A channel's signed envelope as orders a mechanical turn. wave: complex amplitude of order p, Re(c e^{j p theta}),
    in the unit of the envelope.

    along, across, shift: (n,) what the noise of each place does to |wave|, to its phase (as a length) and to the
    constant: the root of the sum of squares is the standard uncertainty by the scatter."""

    fit: Orders
    wave: complex
    along: Floats
    across: Floats
    shift: Floats

    @property
    def u_wave(self) -> float:
        """Standard uncertainty of |wave| from the scatter."""
        return float(np.linalg.norm(self.along))

    @property
    def u_constant(self) -> float:
        """Standard uncertainty of the constant from the scatter."""
        return float(np.linalg.norm(self.shift))

    @property
    def constant(self) -> float:
        """The part that does not move with the rotor, in the unit of the envelope."""
        return self.fit.constant


def envelope(
    theta_mech_rad: Floats,
    values: Floats,
    pole_pairs: int,
    coarse: bool,
    teeth: int | None,
    cyclic: tuple[int, ...] = (),
) -> Envelope:
    """Orders of an envelope: all up to what the grid carries, or p and 2p of a quick screen's few spots.

    cyclic: orders of the axis, which show beside the envelope's own at cyclic - p and cyclic + p; fitted as well, so
    that they are no scatter.
    """
    orders = envelope_orders(theta_mech_rad, pole_pairs, coarse, teeth)
    if cyclic and not coarse:
        points = _places(theta_mech_rad)
        shown = {fold_order(n + side, points) for n in cyclic for side in (-pole_pairs, pole_pairs)}
        orders = sorted({*orders, *(n for n in shown if 0 < n < points / 2)})
    fit = fit_orders(theta_mech_rad, values, orders)
    at = fit.orders.index(pole_pairs)
    wave = complex(fit.coefficients[at])
    by_place = parameter_shifts(theta_mech_rad, noise_of(theta_mech_rad, values, fit), fit)
    turned = (by_place[2 * at + 1] + 1j * by_place[2 * at + 2]) * np.exp(-1j * np.angle(wave))
    return Envelope(fit=fit, wave=wave, along=turned.real, across=turned.imag, shift=by_place[0])


def _places(theta_mech_rad: Floats) -> int:
    return len(np.unique(np.round(np.mod(theta_mech_rad, 2.0 * math.pi), 5)))


def envelope_orders(theta_mech_rad: Floats, p: int, coarse: bool, teeth: int | None) -> list[int]:
    """Orders from 1 up that these positions can tell apart."""
    points = _places(theta_mech_rad)
    if coarse or points < 12 * p:
        return [p, 2 * p] if points >= 7 else [p]
    top = min(int(0.35 * points), max(3 * (teeth or 4 * p) + p, 12 * p))
    return list(range(1, max(top, p) + 1))


@dataclass(frozen=True, slots=True, kw_only=True)
class Places:
    """The turn place by place: theta (b,) mechanical rad; in-phase and quadrature envelopes (b,), harmonics (b, h) V.
    Both passes are averaged where they stood on the same step, so that the play of the axis is no scatter."""

    theta: Floats
    u: Floats
    qu: Floats
    v: Floats
    qv: Floats
    harmonics_sine: Complexes
    harmonics_cosine: Complexes

    def side(self, name: str) -> tuple[Floats, Floats, Complexes]:
        """(in-phase, quadrature, harmonics) of "sin" or "cos"."""
        sine = (self.u, self.qu, self.harmonics_sine)
        return sine if name == "sin" else (self.v, self.qv, self.harmonics_cosine)


def places(obs: Observed, found: Turn) -> Places:
    """The points of the turn proper; with an encoder each stays where it was read."""
    inside = found.inside
    u, qu, v, qv = (part[inside] for part in found.envelopes())
    waves = (found.harmonics_sine[inside], found.harmonics_cosine[inside])
    theta = found.theta_mech_rad[inside]
    if found.reference == "steps":
        per_turn = obs.bench.axis.steps_per_turn if obs.bench.axis else 3200
        keys, first, at = np.unique(
            np.mod(np.rint(found.steps[inside]), per_turn), return_index=True, return_inverse=True
        )
        count = np.bincount(at, minlength=keys.size)
        u, qu, v, qv = (np.bincount(at, weights=part, minlength=keys.size) / count for part in (u, qu, v, qv))
        waves = (_average(waves[0], at, count), _average(waves[1], at, count))
        theta = theta[first]
    return Places(theta=theta, u=u, qu=qu, v=v, qv=qv, harmonics_sine=waves[0], harmonics_cosine=waves[1])


def _average(values: Complexes, at: NDArray[np.int64], count: NDArray[np.int64]) -> Complexes:
    total = np.zeros((count.size, values.shape[1]), dtype=np.complex128)
    np.add.at(total, at, values)
    return total / count[:, None]


def pruned(theta_mech_rad: Floats, values: Floats, orders: Sequence[int]) -> Orders:
    """Only the orders that stand out of the noise (rig/resolver/README.md, 5), the largest where none does.

    Its covariance holds, with the constant, what the choice itself leaves uncertain anywhere on the turn: an order of
    the part that does not stand out is left out, and one of noise is kept now and then.
    """
    whole = without_lines(theta_mech_rad, values, fit_orders(theta_mech_rad, values, orders))
    kept = [n for n in whole.orders if whole.chi2(n) > KEEP_CHI2] or [max(whole.orders, key=whole.chi2)]
    fit = without_lines(theta_mech_rad, values, fit_orders(theta_mech_rad, values, kept))
    u = np.array([whole.u_amplitude(n) for n in whole.orders if n not in kept])
    power = np.array([whole.amplitude(n) ** 2 / 2.0 for n in whole.orders if n not in kept])
    covariance = fit.covariance.copy()
    covariance[0, 0] += _by_choice(u, power, float(np.mean(fit.variance(theta_mech_rad))))
    return replace(fit, covariance=covariance)


def low_pass(theta_mech_rad: Floats, values: Floats, orders: Sequence[int]) -> Orders:
    """All orders up to the highest that stands out of the noise.

    At a place that is looked for, as a null is, the orders of teeth that differ add up: what each of them has below the
    noise is then no small sum of unlike phases, so that none of them may be left out. Price: the noise of them all."""
    whole = without_lines(theta_mech_rad, values, fit_orders(theta_mech_rad, values, orders))
    top = max((n for n in whole.orders if whole.chi2(n) > KEEP_CHI2), default=min(whole.orders))
    kept = [n for n in whole.orders if n <= top]
    return without_lines(theta_mech_rad, values, fit_orders(theta_mech_rad, values, kept))


def _by_choice(u: Floats, power: Floats, variance: float) -> float:
    """What the choice of orders adds to the variance of a place, by trials of the choice itself: the square of half of
    what 95.45 % of the errors stay below, less the variance of the orders kept.

    u, power: (m,) standard uncertainty of a component of each order left out, half its squared amplitude; what the
    powers hold beyond noise the part has, spread evenly over these orders, with any phase."""
    if u.size == 0:
        return 0.0
    rng = np.random.default_rng(SEED)
    hidden = math.sqrt(max(0.0, float(np.sum(power - u**2))) / u.size)
    true, noise = (
        size * (rng.standard_normal((TRIALS, u.size)) + 1j * rng.standard_normal((TRIALS, u.size)))
        for size in (hidden, u)
    )
    seen = true + noise
    errors = np.sum(np.where(np.abs(seen) ** 2 > KEEP_CHI2 * u**2, seen, 0.0) - true, axis=1).real
    errors += math.sqrt(variance) * rng.standard_normal(TRIALS)
    return max(0.0, float(np.quantile(np.abs(errors), COVERAGE) / 2.0) ** 2 - variance)


def phase_noise(seen: Places, name: str, wave: Envelope) -> float:
    """Standard uncertainty of a carrier's phase, rad, by the scatter across it that no order of the turn explains."""
    orders = [n for n in wave.fit.orders if 2 * n < seen.theta.size - 2]
    values = seen.side(name)[1]
    left = noise_of(seen.theta, values, fit_orders(seen.theta, values, orders or [1]))
    return float(np.sqrt(np.mean(left**2))) * math.sqrt(2.0 / seen.theta.size) / max(abs(wave.wave), 1e-12)
