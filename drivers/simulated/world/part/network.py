"""A small electrical network solver: modified nodal analysis, batched over frequencies and rotor angles.

Nodes that are joined become one. Every node leaks to ground through GMIN_S, so that floating islands have a
potential. Phasors are peak; time factor e^{+j w t}. Nodes are names; elements are resistors, capacitors, magnetically
coupled coils and one source.
Theory: any text on MNA; coils enter through the inverse of their branch impedance matrix R + j w L.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

GROUND = "ground"
GMIN_S = 1e-12
OPEN_OHM = 1e13


@dataclass(frozen=True, slots=True, kw_only=True)
class CoilBranch:
    """Turns on each tooth (signed, current into `high` positive) and the series resistance."""

    high: str
    low: str
    turns: Floats
    ohm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Iron:
    """The magnetic side at n rotor angles: permeances (n, teeth) and a tooth's leakage in henry, tan of loss."""

    permeance_h: Floats
    leakage_h: float
    loss_tan: float

    def inductance_h(self, turns: Floats) -> Complexes:
        """(n, coils, coils) complex inductance of turns (teeth, coils), the yoke's potential left free."""
        p = self.permeance_h
        weighted = p[:, :, None] * turns[None, :, :]
        shared = p @ turns
        whole: Floats = np.matmul(turns.T[None, :, :], weighted)
        whole = whole - shared[:, :, None] * shared[:, None, :] / p.sum(axis=1)[:, None, None]
        whole = whole + self.leakage_h * (turns.T @ turns)[None, :, :]
        lossy: Complexes = np.asarray(whole * (1 - 1j * self.loss_tan), dtype=np.complex128)
        return lossy


@dataclass(frozen=True, slots=True, kw_only=True)
class _Stamps:
    conductance_s: Floats
    capacitance_f: Floats
    injection_a: Floats
    incidence: Floats
    turns: Floats
    coil_ohm: Floats


def _coil_admittance(stamps: _Stamps, omega: Floats, iron: Iron) -> Complexes:
    impedance = stamps.coil_ohm + 1j * omega[:, None, None, None] * iron.inductance_h(stamps.turns)[None]
    inverse = np.linalg.inv(impedance)
    return np.asarray(np.matmul(np.matmul(stamps.incidence, inverse), stamps.incidence.T), dtype=np.complex128)


class Network:
    """Built once by its owner, then solved as often as wanted; node names are free text."""

    def __init__(self) -> None:
        self._parent: dict[str, str] = {GROUND: GROUND}
        self._resistors: list[tuple[str, str, float]] = []
        self._capacitors: list[tuple[str, str, float]] = []
        self._coils: list[CoilBranch] = []
        self._source: tuple[str, str, float] | None = None
        self._index: dict[str, int] | None = None
        self._kept: _Stamps | None = None

    def join(self, a: str, b: str) -> None:
        """Make two nodes one."""
        root_a, root_b = self._root(a), self._root(b)
        if root_a == root_b:
            return
        if root_a == GROUND:
            root_a, root_b = root_b, root_a
        self._parent[root_a] = root_b
        self._index = None

    def resistor(self, a: str, b: str, ohm: float) -> None:
        """A resistor; 0 ohm joins the nodes."""
        if ohm == 0:
            self.join(a, b)
            return
        self._touch(a, b)
        self._resistors.append((a, b, ohm))
        self._index = None

    def capacitor(self, a: str, b: str, farad: float) -> None:
        """A capacitor."""
        self._touch(a, b)
        if farad:
            self._capacitors.append((a, b, farad))
            self._index = None

    def coil(self, branch: CoilBranch) -> None:
        """A coil coupled to every other coil of the network through the iron."""
        self._touch(branch.high, branch.low)
        self._coils.append(branch)
        self._index = None

    def source(self, high: str, low: str, ohm: float) -> None:
        """The one source: 1 V peak behind `ohm` (above 0), `high` positive."""
        self._touch(high, low)
        self._source, self._index = (high, low, ohm), None

    def same(self, a: str, b: str) -> bool:
        """Whether two nodes have been joined."""
        return self._root(a) == self._root(b)

    def solve_ac(self, frequencies_hz: Floats, iron: Iron) -> Solution:
        """Node potentials for the source's 1 V at frequencies (f,) and the iron's n angles: (f, n, nodes)."""
        index, stamps = self._node_index(), self._stamps()
        omega = 2 * math.pi * np.asarray(frequencies_hz, dtype=np.float64)
        flat = stamps.conductance_s[None, :, :] + 1j * omega[:, None, None] * stamps.capacitance_f[None, :, :]
        matrix = np.broadcast_to(flat[:, None, :, :], (len(omega), len(iron.permeance_h), len(index), len(index)))
        if self._coils:
            matrix = matrix + _coil_admittance(stamps, omega, iron)
        rhs = np.broadcast_to(stamps.injection_a[:, None], (*matrix.shape[:-1], 1))
        potentials = np.linalg.solve(matrix, rhs)[..., 0]
        return Solution(self, index, np.asarray(potentials, dtype=np.complex128), self._source)

    def resistance_ohm(
        self, force_high: str, force_low: str, sense_high: str | None = None, sense_low: str | None = None
    ) -> float:
        """DC resistance: 1 A through the force nodes, voltage at the sense nodes (default: the same). Inf when open."""
        self._touch(force_high, force_low)
        index = self._node_index()
        if self.same(force_high, force_low):
            return 0.0
        matrix = self._stamps().conductance_s.copy()
        for branch in self._coils:
            self._stamp(matrix, index, branch.high, branch.low, 1 / branch.ohm)
        rhs = np.zeros(len(index))
        self._add(rhs, index, force_high, 1.0)
        self._add(rhs, index, force_low, -1.0)
        potentials: Floats = np.asarray(np.linalg.solve(matrix, rhs), dtype=np.float64)
        through = self._pick(potentials, index, force_high) - self._pick(potentials, index, force_low)
        if through > 0.01 / GMIN_S:
            return math.inf
        high, low = sense_high or force_high, sense_low or force_low
        return float(self._pick(potentials, index, high) - self._pick(potentials, index, low))

    def _stamps(self) -> _Stamps:
        """What does not depend on frequency or angle; made once."""
        index = self._node_index()
        if self._kept is not None:
            return self._kept
        conductance, capacitance = np.eye(len(index)) * GMIN_S, np.zeros((len(index), len(index)))
        for a, b, ohm in self._resistors:
            self._stamp(conductance, index, a, b, 1 / ohm)
        for a, b, farad in self._capacitors:
            self._stamp(capacitance, index, a, b, farad)
        injection = np.zeros(len(index))
        if self._source is not None:
            high, low, ohm = self._source
            self._stamp(conductance, index, high, low, 1 / ohm)
            self._add(injection, index, high, 1 / ohm)
            self._add(injection, index, low, -1 / ohm)
        incidence = np.zeros((len(index), len(self._coils)))
        for column, branch in enumerate(self._coils):
            self._add(incidence[:, column], index, branch.high, 1.0)
            self._add(incidence[:, column], index, branch.low, -1.0)
        self._kept = _Stamps(
            conductance_s=conductance,
            capacitance_f=capacitance,
            injection_a=injection,
            incidence=incidence,
            turns=np.stack([b.turns for b in self._coils], axis=1) if self._coils else np.zeros((0, 0)),
            coil_ohm=np.diag([branch.ohm for branch in self._coils]),
        )
        return self._kept

    def _node_index(self) -> dict[str, int]:
        if self._index is None:
            roots = sorted({self._root(name) for name in list(self._parent)} - {GROUND})
            self._index = {name: i for i, name in enumerate(roots)}
            self._kept = None
        return self._index

    def _root(self, name: str) -> str:
        parent = self._parent.setdefault(name, name)
        while parent != self._parent[parent]:
            parent = self._parent[parent]
        return parent

    def _touch(self, a: str, b: str) -> None:
        if a not in self._parent or b not in self._parent:
            self._index = None
        self._root(a)
        self._root(b)

    def _at(self, index: dict[str, int], name: str) -> int | None:
        return index.get(self._root(name))

    def _stamp(self, matrix: Floats | Complexes, index: dict[str, int], a: str, b: str, value: float) -> None:
        i, j = self._at(index, a), self._at(index, b)
        if i is not None:
            matrix[i, i] += value
        if j is not None:
            matrix[j, j] += value
        if i is not None and j is not None:
            matrix[i, j] -= value
            matrix[j, i] -= value

    def _add(self, vector: Floats | Complexes, index: dict[str, int], name: str, value: float) -> None:
        i = self._at(index, name)
        if i is not None:
            vector[i] += value

    def _pick(self, potentials: Floats, index: dict[str, int], name: str) -> float:
        i = self._at(index, name)
        return 0.0 if i is None else float(potentials[i])


class Solution:
    """Node potentials of one solve; every answer is (frequencies, angles) complex, per volt of the source's EMF."""

    def __init__(
        self, network: Network, index: dict[str, int], potentials: Complexes, source: tuple[str, str, float] | None
    ) -> None:
        self._network, self._index, self._potentials, self._source = network, index, potentials, source

    def across(self, a: str, b: str) -> Complexes:
        """Voltage from a to b."""
        return self._of(a) - self._of(b)

    def source_current(self) -> Complexes:
        """Current out of the source's high node, A per volt of EMF."""
        if self._source is None:
            return np.zeros(self._potentials.shape[:-1], dtype=np.complex128)
        high, low, ohm = self._source
        return (1 - self.across(high, low)) / ohm

    def _of(self, name: str) -> Complexes:
        i = self._network._at(self._index, name)
        if i is None:
            return np.zeros(self._potentials.shape[:-1], dtype=np.complex128)
        column: Complexes = self._potentials[..., i]
        return column
