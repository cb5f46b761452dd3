"""The largest of several nulls: no bias above its noise, an uncertainty that covers, on both sides."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from rig.errors import UsageError
from rig.resolver.turn.largest_null import largest_null

NULLS, PARTS, SIGMA = 8, 9, 1.0


def drawn(size: float, seed: int, leaked: float = 0.0) -> tuple[np.ndarray, float]:
    """(parts with noise, true largest): a shape that every null shares, the first part the fundamental's."""
    rng = np.random.default_rng(seed)
    shape = rng.standard_normal(PARTS)
    truth = np.tile(size * shape / np.linalg.norm(shape), (NULLS, 1))
    leak = leaked * rng.uniform(-1.0, 1.0)
    parts = truth + SIGMA * rng.standard_normal((NULLS, PARTS))
    parts[:, 0] += leak
    return parts, size


def unequal(size: float, seed: int) -> tuple[np.ndarray, float]:
    """(parts with noise, true largest): four nulls of sizes of their own."""
    rng = np.random.default_rng((7, seed))
    shape, sizes = rng.standard_normal(PARTS), np.abs(rng.standard_normal(4))
    truth = size * np.outer(sizes / sizes.max(), shape / np.linalg.norm(shape))
    return truth + SIGMA * rng.standard_normal(truth.shape), size


@pytest.mark.parametrize("draw", [drawn, unequal])
@pytest.mark.parametrize(("size", "bias"), [(0.0, 0.45), (3.0, 0.30), (6.0, 0.20), (15.0, 0.18)])
def test_bias_and_coverage(draw: Any, size: float, bias: float) -> None:
    """Nulls all alike and nulls of their own sizes, in standard deviations of a part: the mean error stays a small
    share of U (at zero nothing lies below, so a part is left); U covers nine of ten at least, and is not too wide."""
    errors, wide, before = [], [], []
    for seed in range(60):
        parts, truth = draw(size, seed)
        found = largest_null(parts, np.full_like(parts, SIGMA), 0.0)
        errors.append(found.value - truth)
        before.append(found.found - truth)
        wide.append(2.0 * found.u)
    ratio = np.array(errors) / np.array(wide)
    assert abs(float(np.mean(ratio))) <= bias
    if draw is drawn:
        assert abs(float(np.mean(errors))) < 0.5 * abs(float(np.mean(before)))
    assert float(np.mean(np.abs(ratio) <= 1.0)) >= 0.90
    assert 0.60 <= float(np.quantile(np.abs(ratio), 0.9545)) <= 1.25


def test_what_was_found_is_pulled_down_never_up() -> None:
    """The estimate lies at or below what was found, and far above the noise next to it."""
    for seed in range(20):
        parts, _ = drawn(3.0, seed)
        found = largest_null(parts, np.full_like(parts, SIGMA), 0.2)
        assert 0.0 <= found.value <= found.found
    parts, _ = drawn(1000.0, 1)
    far = largest_null(parts, np.full_like(parts, SIGMA), 0.0)
    assert far.value == pytest.approx(1000.0, abs=4.0)


def test_without_noise_the_largest_is_itself() -> None:
    """No uncertainty, no trials: the largest null as it stands; shapes that do not fit are refused."""
    parts = np.array([[3.0, 4.0], [1.0, 0.0]])
    exact = largest_null(parts, np.zeros_like(parts), 0.0)
    assert (exact.value, exact.u) == (5.0, 0.0)
    with pytest.raises(UsageError, match="nulls, parts"):
        largest_null(parts, np.zeros(2), 0.0)
