"""Largest, span and rms of an error curve, with what the positioner and the noise leave uncertain.

It must never know how the curve was measured beyond the reference's stated half-widths. Values in electrical arcmin.
Once and twice a turn the measured order is the part's plus the positioner's. A perfect p-fold rotor has none that is no
multiple of p (symmetry rule), so there the measured coefficient c is shrunk by max(0, 1 - a^2/3 / |c|^2), a being the
stated half-width (positive-part James-Stein): left to the positioner where it may explain it all, kept where it can't.
The uncertainty is that estimator's own error, by trials at both ends, six to one (rms: the first alone): the part has
what was kept, or all that was measured; each component of what the positioner adds is even within +-a.
Theory: rig/resolver/README.md, 5, rig/evaluation/README.md.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.evaluation.angle.correction import RECHECKED_MECH_ARCMIN
from rig.evaluation.angle.positioner import cyclic_orders, order_half_width_mech_arcmin
from rig.evaluation.turn.orders import candidate_orders, largest_gap, stated_teeth
from rig.evaluation.turn.ratios import Turn
from rig.evaluation.turn.rotation import Rotation
from rig.observed import Observed
from rig.resolver.turn.grids import fold_order
from rig.resolver.turn.noise import without_lines
from rig.resolver.turn.orders import KEEP_CHI2, Orders, fit_orders, residual_test
from rig.uncertainty.coverage import COVERAGE

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
SEED = 20_251  # of the trials: the same run always gives the same figures
TRIALS = 1200
OWN_TO_RAW = 6  # trials with the part's own orders as kept, for each with all that was measured
GRID = 1440
NOISE_TRIALS = 400
LINE_SHARE = 0.5  # of the residual's power, from which an order left in it is one, and no outlier or step
K = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """maximum, span, rms; (positioner, noise) standard uncertainty of each; model: all orders; model_curve (n,).

    by_order: share of the positioner's variance that each of its orders a turn (1, 2) has, by the stated half-widths.
    u_band: standard uncertainty of the whole curve at once, for its plot.
    order_left, amplitude_left: largest order that the model's residual holds beyond noise (0: none), and its size.
    kept: orders that are not noise; raw_maximum: largest |point|, positioner and all, for information.
    """

    maximum: float
    span: float
    rms: float
    u_maximum: tuple[float, float]
    u_span: tuple[float, float]
    u_rms: tuple[float, float]
    by_order: dict[int, float]
    raw_maximum: float
    kept: tuple[int, ...]
    residual_rms: float
    model: Orders
    model_curve: Floats
    note: str
    u_band: float = 0.0
    order_left: int = 0
    amplitude_left: float = 0.0


def nuisance_orders(obs: Observed, reference: str, points: int) -> tuple[int, ...]:
    """Where the motor's cyclic orders show on a grid of this many points; none with an encoder as the reference."""
    if reference == "encoder":
        return ()
    shown = {fold_order(n, points) for n in cyclic_orders(obs)}
    return tuple(sorted(n for n in shown if 0 < n < points / 2))


def figures(rotation: Rotation, found: Turn, theta_mech_rad: Floats, error: Floats, pole_pairs: int) -> Figures:
    """The figures of a curve of one turn (n points, electrical arcmin, mean taken off)."""
    nuisance = nuisance_orders(rotation.observed, found.reference, theta_mech_rad.size)
    points = theta_mech_rad.size
    teeth = stated_teeth(rotation.observed, points)
    orders = candidate_orders(points, pole_pairs, teeth, nuisance, largest_gap(theta_mech_rad))
    model = without_lines(theta_mech_rad, error, fit_orders(theta_mech_rad, error, [*orders, *nuisance]))
    kept = tuple(n for n in orders if model.chi2(n) > KEEP_CHI2) or (1,)
    widths = {n: pole_pairs * order_half_width_mech_arcmin(rotation, found.reference, n) for n in (1, 2)}
    shared = tuple(n for n in widths if n in orders)
    shrinks = np.array([n % pole_pairs != 0 for n in shared])
    half = np.array([widths[n] for n in shared])
    fine = np.linspace(0.0, 2.0 * math.pi, GRID, endpoint=False)
    rest = _curve(model, tuple(n for n in kept if n not in shared), fine)
    waves = np.exp(1j * np.outer(np.array(shared), fine))
    raw = _coefficients(model, shared)
    own = shrunk(raw, half, shrinks)
    curve = rest + (own @ waves).real
    rng = np.random.default_rng(SEED)
    bases = [own] * OWN_TO_RAW + [raw]
    errors = [np.abs(_errors(rest, base, half, shrinks, waves, rng)) for base in bases]
    spread = np.quantile(np.concatenate(errors, axis=1), COVERAGE, axis=1) / K
    spread[2] = np.quantile(np.concatenate(errors[:OWN_TO_RAW], axis=1)[2], COVERAGE) / K
    noise, band = _noise(model, kept, fine, rng)
    largest, span, rms = _three(curve[None, :])[:, 0]
    residual = error - model.evaluate(theta_mech_rad)
    only_noise, order_left, amplitude_left = residual_test(theta_mech_rad, residual, model)
    one_line = 0.5 * points * amplitude_left**2 > LINE_SHARE * float(residual @ residual)
    only_noise = only_noise or not one_line
    return Figures(
        maximum=float(largest),
        span=float(span),
        rms=float(rms),
        u_maximum=(float(spread[0]), float(noise[0])),
        u_span=(float(spread[1]), float(noise[1])),
        u_rms=(float(spread[2]), float(noise[2])),
        u_band=math.hypot(float(spread[0]), band),
        by_order={n: float(width**2 / max(np.sum(half**2), 1e-30)) for n, width in zip(shared, half, strict=True)},
        raw_maximum=float(np.max(np.abs(error))),
        kept=kept,
        residual_rms=model.residual_rms,
        model=model,
        order_left=0 if only_noise else order_left,
        amplitude_left=0.0 if only_noise else amplitude_left,
        model_curve=np.interp(theta_mech_rad, fine, curve, period=2.0 * math.pi),
        note=_source(rotation, found.reference),
    )


def _source(rotation: Rotation, reference: str) -> str:
    """Where the half-widths of once and twice a turn come from."""
    correction = rotation.correction
    if correction is None or reference != "steps":
        return f"bench file, once and twice a turn; {reference} as the reference"
    through = " and ".join(f"{limit:.2f}'" for limit in RECHECKED_MECH_ARCMIN.values())
    return f"axis corrected ({correction.made_utc}); a recheck lets {through} mechanical through"


def shrunk(measured: Complexes, half_width: Floats, shrinks: NDArray[np.bool_]) -> Complexes:
    """(..., k) coefficients shrunk towards zero by what the positioner may have added, where `shrinks` says so."""
    size2 = np.abs(measured) ** 2
    share = np.maximum(0.0, 1.0 - half_width**2 / 3.0 / np.maximum(size2, 1e-30))
    kept: Complexes = measured * np.where(shrinks, share, 1.0)
    return kept


def _coefficients(model: Orders, orders: tuple[int, ...]) -> Complexes:
    return np.array([model.coefficients[model.orders.index(n)] for n in orders], dtype=np.complex128)


def _curve(model: Orders, orders: tuple[int, ...], theta_mech_rad: Floats) -> Floats:
    waves = np.exp(1j * np.outer(theta_mech_rad, np.array(orders, dtype=np.float64)))
    values: Floats = (waves @ _coefficients(model, orders)).real
    return values


def _three(curves: Floats) -> Floats:
    """(3, n): largest |value|, highest less lowest, rms of each curve (n, grid)."""
    high, low = curves.max(axis=1), curves.min(axis=1)
    return np.stack([np.maximum(high, -low), high - low, np.sqrt(np.mean(curves**2, axis=1))])


def _errors(
    rest: Floats,
    base: Complexes,
    half: Floats,
    shrinks: NDArray[np.bool_],
    waves: Complexes,
    rng: np.random.Generator,
) -> Floats:
    """(3, trials) estimate less truth when the part's shared orders are `base` and the positioner adds its own."""
    shape = (TRIALS // (OWN_TO_RAW + 1), half.size)
    added = half * np.sqrt(1.0 - rng.random(shape) ** 2) * np.exp(2j * math.pi * rng.random(shape))
    estimates = rest + (shrunk(base + added, half, shrinks) @ waves).real
    truth = _three((rest + (base @ waves).real)[None, :])
    return _three(estimates) - truth


def _noise(model: Orders, kept: tuple[int, ...], fine: Floats, rng: np.random.Generator) -> tuple[Floats, float]:
    """((3,) standard uncertainties that noise leaves in largest, span and rms, by trials of the estimator itself, with
    the orders that chance keeps or leaves out; half the simultaneous band over the turn, for the curve as a whole).

    Orders that do not stand out are not all noise: what their powers hold beyond it, on the average, the part has, with
    any phase, and the estimator leaves it out."""
    u = np.array([model.u_amplitude(n) for n in model.orders])
    own = np.isin(model.orders, kept)
    beyond = np.abs(model.coefficients[~own]) ** 2 - 2.0 * u[~own] ** 2
    hidden = math.sqrt(max(0.0, float(np.mean(beyond))) / 2.0) if beyond.size else 0.0
    shape = (NOISE_TRIALS, u.size)
    draws = u * (rng.standard_normal(shape) + 1j * rng.standard_normal(shape))
    unseen = hidden * (rng.standard_normal(shape) + 1j * rng.standard_normal(shape))
    base = np.where(own, model.coefficients, unseen)
    waves = np.exp(1j * np.outer(np.array(model.orders), fine[::4]))
    seen = base + draws
    stays = np.abs(seen) ** 2 > KEEP_CHI2 * u**2
    moved = np.abs(_three((np.where(stays, seen, 0.0) @ waves).real) - _three((base @ waves).real))
    reach = np.max(np.abs((np.where(own, draws, 0.0) @ waves).real), axis=1)
    return np.quantile(moved, COVERAGE, axis=1) / K, float(np.quantile(reach, COVERAGE)) / K
