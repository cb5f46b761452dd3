"""Error and radius together tell which fault of the envelopes makes which order of the angle error."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from rig.errors import UsageError
from rig.resolver.turn.attribution import attribute, components
from rig.resolver.turn.grids import part_orders

THETA = 2 * np.pi * np.arange(320) / 320


def found(sine: Any, cosine: Any, p: int, direction: int = 1) -> list[Any]:
    return list(attribute(THETA, sine, cosine, p, direction, part_orders(p)))


@pytest.mark.parametrize("p", [1, 3, 4])
@pytest.mark.parametrize(
    ("cause", "order", "size", "peak"),
    [
        ("imbalance", 2, 0.01, 17.10),
        ("orthogonality", 2, 1.0, 30.0),
        ("offset", 1, 0.01, 34.38),
        ("harmonic-3", 4, 0.01, 34.38),
        ("harmonic-5", 4, 0.01, 34.38),
        ("harmonic-7", 8, 0.01, 34.38),
    ],
)
def test_each_cause_of_the_table_by_name(p: int, cause: str, order: int, size: float, peak: float) -> None:
    """Order, size and peak of the table, and only that cause; the radius tells third from fifth."""
    t = p * THETA
    s, c = np.sin(t), np.cos(t)
    made = {
        "imbalance": (1.01 * s, c),
        "orthogonality": (s, np.cos(t + np.radians(1.0))),
        "offset": (s + 0.01, c),
        "harmonic-3": (s - 0.01 * np.sin(-3 * t), c - 0.01 * np.cos(-3 * t)),
        "harmonic-5": (s + 0.01 * np.sin(5 * t), c + 0.01 * np.cos(5 * t)),
        "harmonic-7": (s - 0.01 * np.sin(7 * t), c + 0.01 * np.cos(7 * t)),
    }[cause]
    causes = found(*made, p)
    assert [c.code for c in causes] == [cause]
    assert causes[0].order_mech == order * p
    assert causes[0].size == pytest.approx(size, rel=2e-3)
    assert causes[0].error_elec_arcmin == pytest.approx(peak, rel=6e-3)


@pytest.mark.parametrize("order", [1, 2, 8])
def test_a_positioner_turns_the_angle_and_leaves_the_radius(order: int) -> None:
    """The same order made by the positions is named as theirs, even where it is twice the pole pairs."""
    t = 4 * (THETA + 0.001 * np.cos(order * THETA + 0.3))
    causes = found(np.sin(t), np.cos(t), 4)
    assert (causes[0].code, causes[0].order_mech) == ("positioner", order)
    assert causes[0].error_elec_arcmin == pytest.approx(4 * 3.4377, rel=0.01)


def test_amplitude_without_error_and_stepper_and_seat() -> None:
    """A radius that changes alone, the motor's own order, and an order that is no multiple of the pole pairs."""
    t, radius = 4 * THETA, 1 + 0.02 * np.cos(THETA)
    assert [c.code for c in found(radius * np.sin(t), radius * np.cos(t), 4)] == ["amplitude"]
    stepped = t + 0.002 * np.sin(50 * THETA)
    assert [c.code for c in attribute(THETA, np.sin(stepped), np.cos(stepped), 4, 1, [4, 8, 50])] == ["stepper"]
    z = np.exp(1j * t) + 0.01 * np.exp(5j * THETA)
    assert [(c.code, c.order_mech) for c in found(z.imag, z.real, 4)] == [("seat-or-rotor", 1)]


def test_a_reversed_direction_changes_no_size() -> None:
    """Attribution counts in the direction in which the electrical angle rises."""
    t = -4 * THETA
    assert found(1.02 * np.sin(t), np.cos(t), 4, -1)[0].size == pytest.approx(0.02, rel=1e-3)


def test_noise_is_not_named() -> None:
    """What is within four times its own scatter has no cause; the scatter is what it should be."""
    rng = np.random.default_rng(4)
    counts = 0
    for _ in range(50):
        s = np.sin(4 * THETA) + 1e-3 * rng.standard_normal(320)
        c = np.cos(4 * THETA) + 1e-3 * rng.standard_normal(320)
        counts += len(attribute(THETA, s, c, 4, 1, part_orders(4), least_elec_arcmin=0.0))
    assert counts <= 3
    part = components(THETA, s, c, 4, 1, [1])[0]
    assert part.u == pytest.approx(1e-3 * np.sqrt(2 / 320), rel=0.15)


def test_too_few_points_are_told() -> None:
    """Orders that the points can't tell apart are refused."""
    few = THETA[::40]
    with pytest.raises(UsageError, match="can't tell"):
        components(few, np.sin(few), np.cos(few), 1, 1, [1, 2, 3, 4])
