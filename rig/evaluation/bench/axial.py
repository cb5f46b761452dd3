"""Ratio and inductance along the shaft: where rotor and stack stand level.

It must never know which way is which on the holder: places are the operator's own scale, mm. Overlap falls with the
distance from the level place, and with it the excitation's inductance and, less, both ratios; a tent a - b |z - z0|
is fitted to each, by least squares over z0. Two points on each side of the peak settle it; without, it says beyond.
Source: rig/evaluation/README.md.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rig.answer import AxialFigures
from rig.evaluation.turn.rotation import Rotation

Floats = NDArray[np.float64]
K = 2.0
STEP_MM = 0.002
SCALE_MM = 0.02  # standard uncertainty of a place that hands have set


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """One place: mm on the operator's scale, mean ratio of both outputs, excitation inductance (H)."""

    axial_mm: float
    ratio: float
    l_exc: float

    def figures(self) -> AxialFigures:
        """As they are kept."""
        return AxialFigures(axial_mm=self.axial_mm, ratio=self.ratio, l_exc=self.l_exc)

    def to_dict(self) -> dict[str, Any]:
        """As JSON-ready data."""
        return asdict(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class ShaftLevel:
    """Where the peak is (mm, U) by the inductance; inside: between the places tried; ratio_gain: what the ratio gains
    there against the first place, relative."""

    axial_mm: float
    U_mm: float
    inside: bool
    ratio_gain: float

    def to_dict(self) -> dict[str, Any]:
        """As JSON-ready data."""
        return asdict(self)


def axial_place(rotation: Rotation, axial_mm: float) -> Place | None:
    """What a run at one place shows; None without a turn or a current."""
    found, impedance = rotation.turn, rotation.windings.impedance("exc")
    if found is None or impedance is None:
        return None
    inside = found.inside
    u, _, v, _ = found.envelopes()
    ratio = math.sqrt(float(np.mean(u[inside] ** 2 + v[inside] ** 2)))
    return Place(axial_mm=axial_mm, ratio=ratio, l_exc=impedance.z_ohm.imag / (2.0 * math.pi * impedance.frequency_hz))


def level(places: Sequence[Place]) -> ShaftLevel | None:
    """The level place of three places or more; None for fewer."""
    if len(places) < 3:
        return None
    z = np.array([place.axial_mm for place in places])
    inductance = np.array([place.l_exc for place in places])
    ratio = np.array([place.ratio for place in places])
    tries = np.arange(z.min() - 0.5 * np.ptp(z), z.max() + 0.5 * np.ptp(z) + STEP_MM, STEP_MM)
    left = np.array([_tent(z, inductance, at)[1] for at in tries])
    best = int(np.argmin(left))
    at = float(tries[best])
    dof = max(len(places) - 3, 1)
    within = tries[left <= left[best] * (1.0 + K**2 / dof) + 1e-30]
    spread = float(np.ptp(within)) / 2.0
    (top, _), _ = _tent(z, ratio, at)
    return ShaftLevel(
        axial_mm=at,
        U_mm=math.hypot(max(spread, STEP_MM), K * SCALE_MM),
        inside=bool(z.min() < at < z.max()),
        ratio_gain=float(top / ratio[0] - 1.0),
    )


def _tent(z: Floats, values: Floats, at: float) -> tuple[tuple[float, float], float]:
    """((height, slope), sum of squares left, relative) of a tent whose peak stands at a place."""
    basis = np.column_stack((np.ones_like(z), -np.abs(z - at)))
    found, *_ = np.linalg.lstsq(basis, values / values.mean(), rcond=None)
    left = values / values.mean() - basis @ found
    if found[1] < 0:  # a valley is no peak
        return (float(values.mean()), 0.0), float(np.sum((values / values.mean() - 1.0) ** 2))
    return (float(found[0] * values.mean()), float(found[1])), float(np.sum(left**2))
