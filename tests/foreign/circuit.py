"""The foreign part as an electrical three-port: coils with copper, leakage, capacitance and leaks, lows on one common.

Phasors are peak values and the time factor is e^{+j w t}. A port is a coil's high terminal against the common of the
low terminals. The stray network (capacitance, leaks, the rig's inputs) lies in parallel with the coils.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from foreign.magnetics import LOOP, Inductances

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

COPPER_DEGC = 234.5
NODES = ("exc", "sin", "cos", "core", "thermistor")


@dataclass(frozen=True, kw_only=True)
class Copper:
    """r20_ohm (3,): exc, sin, cos at 20 degC; capacitance_f (3, 3): to the common on the diagonal, between coils beside
    it; leak_s (5, 5): conductance between NODES; loop_ohm: resistance of the eddy-current loop."""

    r20_ohm: Floats
    capacitance_f: Floats
    leak_s: Floats
    loop_ohm: float

    def ohm(self, degc: float) -> Floats:
        """(3,) resistances at a temperature (IEC 60034-1: constant 234.5)."""
        found: Floats = self.r20_ohm * (COPPER_DEGC + degc) / (COPPER_DEGC + 20.0)
        return found

    def between_ohm(self, high: str, low: str, joined: tuple[str, ...] = ()) -> float:
        """Leak resistance between two nodes, the others floating; `joined` are tied to `low`."""
        names = [name for name in NODES if name not in joined or name == low]
        conductance = np.zeros((len(names), len(names)))
        for i, a in enumerate(NODES):
            for j, b in enumerate(NODES):
                x, y = (names.index(low if n in joined else n) for n in (a, b))
                if x != y:
                    conductance[x, y] += self.leak_s[i, j]
        laplacian = np.diag(conductance.sum(axis=1)) - conductance + 1e-13 * np.eye(len(names))
        drive = np.zeros(len(names))
        drive[names.index(high)], drive[names.index(low)] = 1.0, -1.0
        volts = np.linalg.solve(laplacian, drive)
        return float(volts[names.index(high)] - volts[names.index(low)])


class Ports:
    """Admittances of the three ports at given rotor angles, frequency and temperature."""

    def __init__(
        self, coils: Inductances, copper: Copper, spindle_rad: Floats, frequency_hz: float, degc: float
    ) -> None:
        self.omega = 2.0 * math.pi * frequency_hz
        whole = 1j * self.omega * coils.at(spindle_rad) + np.diag([*copper.ohm(degc), copper.loop_ohm])
        to_loop = whole[:, :LOOP, LOOP]
        impedance = whole[:, :LOOP, :LOOP] - to_loop[:, :, None] * to_loop[:, None, :] / whole[:, LOOP:, LOOP:]
        self.y: Complexes = np.linalg.inv(impedance) + self._stray(copper)

    def _stray(self, copper: Copper) -> Complexes:
        between = np.array(copper.capacitance_f, dtype=np.float64)
        own = np.diag(between).copy()
        np.fill_diagonal(between, 0.0)
        capacitive = np.diag(own + between.sum(axis=1)) - between
        leak = copper.leak_s[:3, :3] + _through_core(copper.leak_s)
        np.fill_diagonal(leak, 0.0)
        conductive = np.diag(leak.sum(axis=1)) - leak
        return np.asarray(1j * self.omega * capacitive + conductive, dtype=np.complex128)

    def driven(self, coil: int, load_s: Complexes | None = None) -> tuple[Complexes, Complexes]:
        """((n, 3) port volts, (n,) current) for one volt at a coil, the others loaded by load_s (3,) or open."""
        y = self.y if load_s is None else self.y + np.diag(load_s)
        others = [i for i in range(3) if i != coil]
        inner = y[:, others][:, :, others]
        volts = np.ones((len(y), 3), dtype=np.complex128)
        volts[:, others] = np.linalg.solve(inner, -y[:, others, coil][:, :, None])[:, :, 0]
        own = self.y[:, coil, :]  # the rig's input on the driven coil hangs before the shunt
        return volts, np.sum(own * volts, axis=1)


def _through_core(leak_s: Floats) -> Floats:
    """(3, 3) conductance between coils through the floating core."""
    to_core = leak_s[:3, 3]
    total = float(to_core.sum())
    found: Floats = np.outer(to_core, to_core) / total if total > 0.0 else np.zeros((3, 3))
    return found
