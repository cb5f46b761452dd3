"""The air gap of the true part: permeance of every tooth at any rotor angle, from the geometry alone.

All angles are mechanical, counter-clockwise positive, tooth 1 (index 0) at 0. Lobes are shaped so that permeance, not
gap, is a cosine; eccentricity is cos(a - psi) of the gap; 1/g is averaged over the tooth's width (Gauss-Legendre)
and, where the rotor is tilted, over the stack.
Theory: magnetic equivalent circuit, P = mu0 A / g.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drivers.simulated.worldfile.keys import WorldFile

Floats = NDArray[np.float64]

MU0 = 4e-7 * math.pi
WIDTH_POINTS = 9
STACK_POINTS = 5
MISSING_ROTOR_GAP_MM = 12.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueSeat:
    """How the rotor lies in the stator in one clamping: millimetres, milliradians, mechanical radians.

    angle_mech_rad: rotor's angle in the stator less the spindle's; rotor_rad: the rotor's own share of it, ahead on the
    spindle. rotor_mm, spindle_mm: complex centre of the rotor on its seat (turns with the rotor, from its lobe 1) and
    of the spindle's nose (turns with the spindle, from its index).
    """

    offset_mm: float
    offset_rad: float
    axial_mm: float
    tilt_mrad: float
    tilt_rad: float
    angle_mech_rad: float
    rotor_rad: float = 0.0
    rotor_mm: complex = 0j
    spindle_mm: complex = 0j


def seat_of(world: WorldFile, clamping: int | None) -> TrueSeat:
    """The seat in a clamping (from 1); None: centred, the part's own static offset, tilt and axial position only."""
    faults, holder = world.part.faults, world.holder
    radial = faults.static_offset_mm * np.exp(1j * math.radians(faults.static_offset_deg))
    tilt = faults.tilt_mrad * np.exp(1j * math.radians(faults.tilt_deg))
    axial, angle = faults.axial_mm, 0.0
    rotor_rad, rotor_mm, spindle_mm = 0.0, 0j, 0j
    if clamping is not None:
        stator = holder.stator_clamping or clamping
        draws = np.random.default_rng((world.seed, 11, stator)).standard_normal(4)
        radial += holder.centring_sigma_mm * (draws[0] + 1j * draws[1])
        axial += holder.axial_sigma_mm * draws[2]
        angle = math.radians(
            holder.angle_deg + _listed_angle_deg(holder.angles_deg, stator) + holder.angle_sigma_deg * draws[3]
        )
        if stator != clamping and holder.knock_mm:
            way = np.random.default_rng((world.seed, 16, clamping)).uniform(0.0, 2.0 * math.pi)
            radial += holder.knock_mm * np.exp(1j * way)
        if holder.offset_clamping in (0, stator):
            radial += holder.offset_mm * np.exp(1j * math.radians(holder.offset_deg))
            tilt += holder.tilt_mrad * np.exp(1j * math.radians(holder.tilt_deg))
            axial += holder.axial_mm
        radial -= holder.nudge_mm * np.exp(1j * (math.radians(holder.nudge_deg) + angle))
        axial -= holder.nudge_axial_mm
        on_arbor = np.random.default_rng((world.seed, 15, clamping)).standard_normal(3)
        ahead = (
            holder.rotor_deg
            + _listed_angle_deg(holder.rotor_angles_deg, clamping)
            + holder.rotor_sigma_deg * on_arbor[0]
        )
        rotor_rad = math.radians(ahead)
        rotor_mm = holder.rotor_seat_mm * complex(on_arbor[1], on_arbor[2])
        spindle_mm = world.axis.runout_mm * complex(np.exp(1j * math.radians(world.axis.runout_deg)))
    return TrueSeat(
        offset_mm=float(abs(radial)),
        offset_rad=float(np.angle(radial)),
        axial_mm=float(axial),
        tilt_mrad=float(abs(tilt)),
        tilt_rad=float(np.angle(tilt)),
        angle_mech_rad=angle + rotor_rad,
        rotor_rad=rotor_rad,
        rotor_mm=rotor_mm,
        spindle_mm=spindle_mm,
    )


def _listed_angle_deg(angles_deg: tuple[float, ...], clamping: int) -> float:
    """The angle of a clamping, in turn; 0 without a list."""
    return angles_deg[(clamping - 1) % len(angles_deg)] if angles_deg else 0.0


class AirGap:
    """Tooth permeances in henry per square turn of one part in one seat."""

    def __init__(self, world: WorldFile, seat: TrueSeat) -> None:
        part = world.part
        self._part, self._seat = part, seat
        self._missing = part.faults.rotor == "missing"
        teeth = part.teeth
        self.tooth_angle_mech_rad: Floats = 2 * math.pi * np.arange(teeth) / teeth
        half_width = part.tooth_fraction * math.pi / teeth
        nodes, weights = np.polynomial.legendre.leggauss(WIDTH_POINTS)
        self._angles: Floats = self.tooth_angle_mech_rad[:, None] + half_width * nodes[None, :]
        self._weights: Floats = weights / 2
        scatter = np.random.default_rng((world.seed, 12)).standard_normal(teeth)
        self._scatter: Floats = 1 + part.gap_scatter * scatter
        overlap = max(0.0, 1 - abs(seat.axial_mm) / part.stack_mm)
        self._nominal_area_m2 = 2 * half_width * part.bore_radius_mm * part.stack_mm * 1e-6
        self._area_m2 = self._nominal_area_m2 * overlap

    @property
    def leakage_permeance_h(self) -> float:
        """Leakage of one tooth: the stated fraction of the mean tooth permeance of the round, nominal part."""
        part = self._part
        spread = 1 / math.sqrt(1 - (part.lobe_mm / part.gap_mean_mm) ** 2)
        return part.leakage * MU0 * self._nominal_area_m2 * spread / (part.gap_mean_mm * 1e-3)

    def permeance_h(self, rotor_mech_rad: Floats) -> Floats:
        """(n, teeth) permeance of each tooth at rotor angles (n,) in the stator's frame."""
        theta = np.asarray(rotor_mech_rad, dtype=np.float64)[:, None, None]
        gap_mm = self._gap_mm(theta) * self._scatter[None, :, None]
        inverse = self._inverse_over_stack(gap_mm)
        mean_inverse_per_m: Floats = 1e3 * (inverse @ self._weights)
        return MU0 * self._area_m2 * mean_inverse_per_m

    def _gap_mm(self, theta: Floats) -> Floats:
        part, seat = self._part, self._seat
        angles = self._angles[None, :, :]
        if self._missing:
            gap = np.full(np.broadcast_shapes(theta.shape, angles.shape), MISSING_ROTOR_GAP_MM)
            return gap - seat.offset_mm * np.cos(angles - seat.offset_rad)
        wave = self._lobes(angles - theta)
        mean, ratio = part.gap_mean_mm, part.lobe_mm / part.gap_mean_mm
        if part.lobe_shape == "permeance":
            gap = mean * math.sqrt(1 - ratio**2) / (1 + ratio * wave)
        else:
            gap = mean * (1 - ratio * wave)
        gap = gap - seat.offset_mm * np.cos(angles - seat.offset_rad)
        if part.faults.runout_mm:
            gap = gap - part.faults.runout_mm * np.cos(angles - theta - math.radians(part.faults.runout_deg))
        with_rotor = seat.rotor_mm + seat.spindle_mm * np.exp(-1j * seat.rotor_rad)
        if with_rotor:
            gap = gap - abs(with_rotor) * np.cos(angles - theta - np.angle(with_rotor))
        return gap

    def _lobes(self, from_rotor: Floats) -> Floats:
        """cos(lobes x) with the weak lobe bent down: +1 at a lobe, -1 in a valley; fraction 1 = lobe missing."""
        count, faults = self._part.lobe_count, self._part.faults
        wave: Floats = np.cos(count * from_rotor)
        if faults.weak_lobe and faults.weak_lobe_fraction:
            centre = 2 * math.pi * (faults.weak_lobe - 1) / count
            away = np.abs((from_rotor - centre + math.pi) % (2 * math.pi) - math.pi)
            inside = away < math.pi / count
            wave = np.where(inside, wave - faults.weak_lobe_fraction * (1 + wave), wave)
        return wave

    def _inverse_over_stack(self, gap_mm: Floats) -> Floats:
        if not self._seat.tilt_mrad:
            return 1 / gap_mm
        nodes, weights = np.polynomial.legendre.leggauss(STACK_POINTS)
        lean = 1e-3 * self._seat.tilt_mrad * np.cos(self._angles - self._seat.tilt_rad)[None, :, :]
        total: Floats = np.zeros_like(gap_mm)
        for node, weight in zip(nodes, weights, strict=True):
            total += weight / 2 / (gap_mm + node * self._part.stack_mm / 2 * lean)
        return total
