"""Field model of a variable-reluctance resolver: magnetomotive force and gap as continuous functions of the bore angle.

The product's simulated part adds up tooth permeances. This one integrates a field instead, so that neither repeats the
other's mistakes. Along the bore angle phi each coil has a magnetomotive force F_i(phi) of one ampere: constant on a
tooth face, falling linearly across the slot opening to the next tooth. The radial path is the gap between bore and
rotor, plus in a slot opening the quarter circle to the nearest tooth edge, plus the iron's own path, which is complex
because the iron loses energy. Inductance by the modified winding function:

    L_ij = mu0 r l * integral (F_i - mean_i) F_j / g dphi,   mean_i = integral F_i / g / integral 1 / g.

Source: Al-Nuaim and Toliyat, "A novel method for modeling dynamic air-gap eccentricity in synchronous machines based
on modified winding function theory", IEEE Trans. Energy Conversion 13(2), 1998. Lengths mm, angles mechanical rad.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

MU0_H_PER_MM = 4e-10 * math.pi
GRID = 1024  # bore angles of the integral, and rotor angles of the table
COILS = ("exc", "sin", "cos")
LOOP = 3  # row of the eddy-current loop behind the three coils
ROWS = LOOP + 1
PAIRS = tuple((i, j) for i in range(ROWS) for j in range(i, ROWS))


@dataclass(frozen=True, kw_only=True)
class Stator:
    """Teeth by their own figures; every array is (teeth,). turns is (4, teeth): signed turns of COILS, then the closed
    loop in which the iron's eddy currents flow (one turn on one tooth, its resistance with the copper).

    centre_rad, face_rad: place and width of the tooth's face; recess_mm: how far the face stands back from the bore;
    iron_mm: complex path of the iron behind the tooth, as an equal length of air.
    """

    radius_mm: float
    stack_mm: float
    centre_rad: Floats
    face_rad: Floats
    recess_mm: Floats
    iron_mm: Complexes
    turns: Floats
    slot_leakage_h: float
    end_leakage_h: Floats


@dataclass(frozen=True, kw_only=True)
class Rotor:
    """Lobes by their own figures; height, width and place are (pole pairs,).

    The local electrical angle x runs from lobe centre to lobe centre through the valleys; the inverse gap there is
    (1 + height cos x + second cos 2x + third cos 3x) / mean_gap_mm. place_rad: how far a lobe's centre is off its even
    place; width: relative excess of its angular width.
    """

    mean_gap_mm: float
    height: Floats
    width: Floats
    place_rad: Floats
    second: float
    third: float

    @property
    def pole_pairs(self) -> int:
        """Number of lobes."""
        return len(self.height)

    def gap_mm(self, psi_rad: Floats) -> Floats:
        """Gap of a centred rotor at rotor angles (n,)."""
        p = self.pole_pairs
        centre = 2.0 * math.pi * np.arange(p) / p + self.place_rad
        half = 0.5 * math.pi / p
        knots = np.concatenate([centre - half * (1.0 + self.width), centre, centre + half * (1.0 + self.width)])
        local = np.concatenate([2.0 * math.pi * np.arange(p) + part for part in (-0.5 * math.pi, 0.0, 0.5 * math.pi)])
        order = np.argsort(knots)
        knots, excess = knots[order], (local - p * knots)[order]
        warp = CubicSpline(np.append(knots, knots[0] + 2.0 * math.pi), np.append(excess, excess[0]), bc_type="periodic")
        psi = knots[0] + np.mod(psi_rad - knots[0], 2.0 * math.pi)
        x = p * psi + warp(psi)
        height = self._height_at(centre, psi)
        inverse = 1.0 + height * np.cos(x) + self.second * np.cos(2.0 * x) + self.third * np.cos(3.0 * x)
        gap: Floats = self.mean_gap_mm / inverse
        return gap

    def _height_at(self, centre: Floats, psi: Floats) -> Floats:
        """Lobe height as a smooth function of the rotor angle, exact at each lobe's centre."""
        if self.pole_pairs == 1:
            return np.full_like(psi, float(self.height[0]))
        knots = np.append(centre, centre[0] + 2.0 * math.pi)
        wave = CubicSpline(knots, np.append(self.height, self.height[0]), bc_type="periodic")
        at: Floats = wave(centre[0] + np.mod(psi - centre[0], 2.0 * math.pi))
        return at


@dataclass(frozen=True, kw_only=True)
class Mount:
    """How stator, rotor and spindle stand to each other; offsets are complex mm (real part towards the index mark).

    stator_mm: bore's centre from the spindle's mean axis; stator_rad: clamped angle; runout_mm: fixed to the spindle;
    rotor_mm: rotor's own centre on its seat, fixed to the rotor; clock_rad: rotor's angle on the spindle.
    """

    stator_mm: complex = 0j
    stator_rad: float = 0.0
    runout_mm: complex = 0j
    rotor_mm: complex = 0j
    clock_rad: float = 0.0


class Inductances:
    """Complex inductance matrix of the three coils and the loop at any spindle angle, from a table of one turn."""

    def __init__(self, stator: Stator, rotor: Rotor, mount: Mount) -> None:
        table = _table(stator, rotor, mount)
        self._orders: Complexes = np.fft.fft(table, axis=0) / GRID
        self._fixed: Floats = stator.slot_leakage_h * (stator.turns @ stator.turns.T) + np.diag(stator.end_leakage_h)

    def at(self, spindle_rad: Floats) -> Complexes:
        """(n, 4, 4) henry at spindle angles (n,), by the table's own orders (exact between its places)."""
        orders = np.fft.fftfreq(GRID, 1.0 / GRID)
        keep = np.abs(orders) < GRID // 3
        waves = np.exp(1j * np.outer(spindle_rad, orders[keep]))
        values = waves @ self._orders[keep]
        found: Complexes = np.empty((len(spindle_rad), ROWS, ROWS), dtype=np.complex128)
        for column, (i, j) in enumerate(PAIRS):
            found[:, i, j] = found[:, j, i] = values[:, column]
        return found + self._fixed


def _table(stator: Stator, rotor: Rotor, mount: Mount) -> Complexes:
    """(GRID, pairs) henry of PAIRS at even spindle angles of one turn, leakage left out."""
    phi = 2.0 * math.pi * np.arange(GRID) / GRID
    force, edge_mm = _forces(stator, mount.stator_rad, phi)
    recess_mm, iron_mm = _of_nearest_tooth(stator, mount.stator_rad, phi)
    rolled = np.concatenate([rotor.gap_mm(phi - mount.clock_rad)] * 2)
    rows = np.lib.stride_tricks.sliding_window_view(rolled, GRID)[GRID - np.arange(GRID)]
    turn = np.exp(1j * phi)
    centre = mount.runout_mm * turn + mount.rotor_mm * turn * np.exp(1j * mount.clock_rad) - mount.stator_mm
    toward = (np.conj(centre)[:, None] * turn[None, :]).real
    path = rows - toward + (recess_mm + 0.5 * math.pi * edge_mm)[None, :] + iron_mm[None, :]
    inverse = 1.0 / path
    columns = np.stack([*(force[i] * force[j] for i, j in PAIRS), *force, np.ones(GRID)], axis=1)
    sums = inverse @ columns * (2.0 * math.pi / GRID)
    single = len(PAIRS)
    means = sums[:, single : single + ROWS] / sums[:, -1:]
    whole = np.stack([sums[:, c] - means[:, i] * sums[:, single + j] for c, (i, j) in enumerate(PAIRS)], axis=1)
    table: Complexes = MU0_H_PER_MM * stator.radius_mm * stator.stack_mm * whole
    return table


def _forces(stator: Stator, stator_rad: float, phi: Floats) -> tuple[Floats, Floats]:
    """((4, n) ampere turns an ampere at bore angles, (n,) mm along the bore to the nearest tooth face)."""
    centre, half = stator.centre_rad + stator_rad, 0.5 * stator.face_rad
    edges = np.stack([centre - half, centre + half], axis=1).ravel()
    at = edges[0] + np.mod(phi - edges[0], 2.0 * math.pi)
    closed = np.append(edges, edges[0] + 2.0 * math.pi)
    force = np.stack([np.interp(at, closed, np.append(np.repeat(n, 2), n[0])) for n in stator.turns])
    place = np.searchsorted(closed, at, side="right") - 1
    in_slot = place % 2 == 1
    after = closed[np.minimum(place + 1, len(closed) - 1)]
    distance = np.minimum(at - closed[place], after - at)
    edge: Floats = np.where(in_slot, distance, 0.0) * stator.radius_mm
    return force, edge


def _of_nearest_tooth(stator: Stator, stator_rad: float, phi: Floats) -> tuple[Floats, Complexes]:
    """Recess and iron path at bore angles, changing from tooth to tooth along the slot opening."""
    centre = stator.centre_rad + stator_rad
    at = centre[0] + np.mod(phi - centre[0], 2.0 * math.pi)
    closed = np.append(centre, centre[0] + 2.0 * math.pi)
    recess = np.interp(at, closed, np.append(stator.recess_mm, stator.recess_mm[0]))
    iron = np.append(stator.iron_mm, stator.iron_mm[0])
    path: Complexes = np.interp(at, closed, iron.real) + 1j * np.interp(at, closed, iron.imag)
    return recess, path
