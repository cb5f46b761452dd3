"""The largest of several nulls, each the root of a sum of squares of noisy parts: an estimate without the luckiest one.

It must never know how the parts were measured. The largest of several noisy sizes picks the luckiest, and a square
carries the noise's own power: both pull up. So the estimate is the size whose trials give, on the average, what was
found: mu(s) is their mean when the largest null has the size s, the estimate is s with mu(s) = found, 0 where noise
alone gives as much. mu depends on how alike the nulls are: it is worked out for the nulls as found, each without the
power of its noise, and for all of one size, and the two inverses are weighed by how much of the sizes' spread is more
than noise. Each trial goes through the whole estimator for the uncertainty. Source: JCGM 101:2008, 5.9 and 7.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.errors import UsageError

Floats = NDArray[np.float64]
SEED, TRIALS, COVERAGE, K = 20_252, 2000, 0.9545, 2.0
MAY_BE_NOISE = 4.0  # standard deviations that the largest of a few crossings reaches by noise alone
REACH = 8.0  # standard deviations round the estimate, and above zero, in which mu is worked out closely
CLOSE = 33  # sizes in each of these ranges


@dataclass(frozen=True, slots=True, kw_only=True)
class LargestNull:
    """value: estimate of the largest; u: half of what 95.45 % of the trials' errors stay below; both in the unit of the
    parts. found: the largest with the noise's power taken off, before its bias was."""

    value: float
    u: float
    found: float


def largest_null(parts: Floats, u: Floats, leaked: float) -> LargestNull:
    """The largest null. parts, u: (nulls, parts) and their standard uncertainties from noise; leaked: half-width of a
    leak into every null's first part, the same at all of them. Raises UsageError for unequal shapes or no null."""
    if parts.shape != u.shape or parts.ndim != 2 or 0 in parts.shape:
        raise UsageError(
            f"Nulls of shape {parts.shape} with uncertainties of shape {u.shape}: both (nulls, parts) were expected.",
            next_action="Read the parts at each crossing first.",
        )
    power = np.sum(parts**2, axis=1) - np.sum(u**2, axis=1)
    found = float(_root(np.max(power)))
    reach = np.hypot(u, np.where(np.arange(parts.shape[1]) == 0, leaked / np.sqrt(3.0), 0.0))
    sigma = float(np.sqrt(np.max(np.sum(reach**2, axis=1))))
    if sigma == 0.0:
        return LargestNull(value=found, u=0.0, found=found)
    direction = parts / np.sqrt(np.maximum(np.sum(parts**2, axis=1), 1e-300))[:, None]
    spread2 = float(np.mean(np.sum(direction**2 * u**2, axis=1)))
    noise = _noise(u, leaked)
    sizes = np.linspace(-REACH, REACH, CLOSE) * sigma
    sizes = np.unique(np.maximum(np.concatenate([sizes, found + sizes]), 0.0))
    deflated = _root(np.sum(parts**2, axis=1) - np.sum(reach**2, axis=1))
    shapes = [_shape(direction, deflated), _shape(direction, np.ones_like(deflated))]
    estimator = _Estimator(sizes, [_means(shape, noise, u, sizes) for shape in shapes], spread2)
    value, own = estimator(power[None, :])
    truths = [float(value[0]), 0.0] if np.all(np.abs(parts) < MAY_BE_NOISE * reach) else [float(value[0])]
    likely = _shape(direction, np.mean(deflated) + float(own[0]) * (deflated - np.mean(deflated)))
    errors = [np.abs(estimator(_powers(size * likely, noise, u))[0] - size) for size in truths]
    return LargestNull(value=float(value[0]), u=max(float(np.quantile(e, COVERAGE)) for e in errors) / K, found=found)


class _Estimator:
    """What the powers of the nulls say of the largest. sizes (k,), means: mu of the two shapes at these sizes;
    spread2: variance of a null's size from noise."""

    def __init__(self, sizes: Floats, means: list[Floats], spread2: float) -> None:
        self._sizes, self._means, self._spread2 = sizes, means, spread2

    def __call__(self, power: Floats) -> tuple[Floats, Floats]:
        """(n,) estimate, and how much of the nulls' differences is their own, from powers (n, nulls)."""
        size = _root(power)
        spread = np.sum((size - np.mean(size, axis=1, keepdims=True)) ** 2, axis=1)
        by_noise = (size.shape[1] - 1) * self._spread2
        own = np.sqrt(np.maximum(0.0, 1.0 - by_noise / np.maximum(spread, 1e-300)))
        apart, alike = (self._inverse(np.max(size, axis=1), mean) for mean in self._means)
        return own * apart + (1.0 - own) * alike, own

    def _inverse(self, found: Floats, mean: Floats) -> Floats:
        """The size whose trials give what was found on the average; 0 at or below what noise alone gives."""
        inside = np.interp(found, mean, self._sizes)
        beyond = self._sizes[-1] + found - mean[-1]
        values: Floats = np.where(found > mean[-1], beyond, np.where(found <= mean[0], 0.0, inside))
        return values


def _noise(u: Floats, leaked: float) -> Floats:
    """(trials, nulls, parts) draws of noise and leak."""
    rng = np.random.default_rng(SEED)
    noise: Floats = u * rng.standard_normal((TRIALS, *u.shape))
    noise[:, :, 0] += leaked * rng.uniform(-1.0, 1.0, (TRIALS, 1))
    return noise


def _shape(direction: Floats, sizes: Floats) -> Floats:
    """Nulls of these directions and relative sizes, the largest of size 1; all of one size where none is above 0."""
    top = float(np.max(sizes))
    return direction * (sizes / top if top > 0.0 else np.ones_like(sizes))[:, None]


def _powers(truth: Floats, noise: Floats, u: Floats) -> Floats:
    """(trials, nulls) powers found, that of the noise taken off, when the parts are `truth`."""
    power: Floats = np.sum((truth + noise) ** 2, axis=2) - np.sum(u**2, axis=1)
    return power


def _means(shape: Floats, noise: Floats, u: Floats, sizes: Floats) -> Floats:
    """(k,) mean of the largest found over the trials when the shape has each of these sizes; never falling."""
    own = np.sum(shape**2, axis=1)
    mixed = np.einsum("tnp,np->tn", noise, shape)
    rest = np.sum(noise**2, axis=2) - np.sum(u**2, axis=1)
    found = [float(np.mean(_root(np.max(s**2 * own + 2.0 * s * mixed + rest, axis=1)))) for s in sizes]
    rising: Floats = np.maximum.accumulate(np.array(found))
    return rising


def _root(power: Floats) -> Floats:
    """Root of a power, 0 where it is below zero."""
    root: Floats = np.sqrt(np.maximum(power, 0.0))
    return root
