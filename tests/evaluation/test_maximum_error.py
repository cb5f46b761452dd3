"""The maximum error: the positioner's share is left to the positioner, kept where it can't explain it, and covered."""

import math
from types import SimpleNamespace

import numpy as np
import pytest
from readings_by_hand import observed

from rig.evaluation.angle.maximum import candidate_orders, figures, nuisance_orders, shrunk
from rig.evaluation.evaluated import evaluate

POINTS = 320
THETA = 2 * np.pi * np.arange(POINTS) / POINTS
OBS = observed([])
RUN = evaluate(OBS).rotation
FOUND = SimpleNamespace(reference="steps")


def part_curve(rng: np.random.Generator, size: float = 18.0) -> np.ndarray:
    """Orders p, 2p, 3p and the teeth, electrical arcmin."""
    curve = np.zeros(POINTS)
    for order, share in ((4, 1.0), (8, 0.3), (12, 0.1), (16, 0.1)):
        curve += size * share * np.cos(order * THETA + rng.uniform(0, 2 * np.pi))
    return curve


def axis_curve(rng: np.random.Generator) -> np.ndarray:
    """What the simulated bench's axis may do by its bench file, at four pole pairs, electrical arcmin."""
    curve = np.zeros(POINTS)
    for order, half in ((1, 3.0), (2, 1.0), (50, 6.0)):
        curve += 4 * half * rng.uniform() * np.cos(order * THETA + rng.uniform(0, 2 * np.pi))
    return curve


def test_the_maximum_is_covered_about_as_often_as_stated() -> None:
    """Random parts on random axes within the stated half-widths: 95 % within U, none beyond 2 U."""
    rng = np.random.default_rng(5)
    ratios = []
    for _ in range(60):
        own = part_curve(rng)
        error = own + axis_curve(rng) + 0.05 * rng.standard_normal(POINTS)
        got = figures(RUN, FOUND, THETA, error - error.mean(), 4)
        ratios.append(abs(got.maximum - np.max(np.abs(own))) / (2 * math.hypot(*got.u_maximum)))
    assert np.mean(np.array(ratios) <= 1.0) >= 0.88  # 0.9545 expected of 60: less than 0.88 is one in a hundred
    assert max(ratios) < 2.0


def test_the_motors_cyclic_orders_are_no_error_of_the_part() -> None:
    """12' electrical at order 50 leave the maximum where it is."""
    rng = np.random.default_rng(1)
    own = part_curve(rng)
    plain = figures(RUN, FOUND, THETA, own, 4).maximum
    shaken = figures(RUN, FOUND, THETA, own + 12 * np.cos(50 * THETA), 4).maximum
    assert shaken == pytest.approx(plain, abs=0.05)


def test_an_order_that_the_axis_can_not_explain_stays_with_the_part() -> None:
    """80' at order 1 where the axis may have 12': nearly all of it is kept."""
    kept = shrunk(np.array([80.0 + 0j, 6.0 + 0j]), np.array([12.0, 12.0]), np.array([True, True]))
    assert abs(kept[0]) > 0.98 * 80.0
    assert kept[1] == 0.0


def test_orders_that_are_multiples_of_the_pole_pairs_are_never_shrunk() -> None:
    """They are where a part's own error lives."""
    kept = shrunk(np.array([2.0 + 1j]), np.array([12.0]), np.array([False]))
    assert kept[0] == 2.0 + 1j


def test_an_encoder_narrows_the_uncertainty() -> None:
    """0.5' of eccentricity in place of 3' and 1' of the axis."""
    rng = np.random.default_rng(2)
    own = part_curve(rng)
    steps = figures(RUN, FOUND, THETA, own, 4)
    encoder = figures(RUN, SimpleNamespace(reference="encoder"), THETA, own, 4)
    assert encoder.u_maximum[0] < 0.3 * steps.u_maximum[0]


def test_the_same_curve_always_gives_the_same_figures() -> None:
    """The trials start from a fixed seed."""
    own = part_curve(np.random.default_rng(3))
    assert figures(RUN, FOUND, THETA, own, 4).u_maximum == figures(RUN, FOUND, THETA, own, 4).u_maximum


def test_nuisance_orders_are_folded_onto_the_grid() -> None:
    """Order 200 shows as 120 on 320 points; with an encoder there is none."""
    assert nuisance_orders(OBS, "steps", 320) == (50, 100, 120)
    assert nuisance_orders(OBS, "encoder", 320) == ()
    assert not set(candidate_orders(320, 4, 16, (50, 100, 120))) & {50, 100, 120}
