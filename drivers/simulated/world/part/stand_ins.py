"""What may be plugged into the adapter in place of the part: shorting plug, dummy part, nothing at all.

The dummy is the passive box of hardware/dummy_part.md: a transformer 60 : 30 + 30 and two chains of five resistors,
whose taps its relays choose (relays 2005 to 2008: A, B, S, C). Built from its resistors' nominal values; the windings
couple without a leak.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from drivers.simulated.world.part.circuit import TruePart
from drivers.simulated.world.part.network import CoilBranch, Iron, Network
from drivers.simulated.worldfile.keys import WorldFile

Floats = NDArray[np.float64]

LINE_A, LINE_B, LINE_S, LINE_C = 2005, 2006, 2007, 2008
CHAIN_OHM = (75.0, 174.0, 107.0, 69.8, 332.0)
TURNS_EXC, TURNS_OUT = 60.0, 30.0
PRIMARY_H = 18e-3
WINDING_EXC_OHM, WINDING_OUT_OHM = 0.8, 0.4
TAN_LOSS = 0.02
PLUG_OHM = 0.005
EMPTY_H = 1e-9
SINE_TAP = {(False, False): 1, (True, False): 3, (False, True): 4, (True, True): 2}
COSINE_TAP = {(False, False): 4, (True, False): 2, (False, True): 1, (True, True): 3}


class Nothing:
    """The adapter's connector left open."""

    def iron(self, rotor_mech_rad: Floats) -> Iron:
        """No coil, no iron: one dry tooth for each angle."""
        return Iron(permeance_h=np.full((np.atleast_1d(rotor_mech_rad).size, 1), EMPTY_H), leakage_h=0.0, loss_tan=0.0)

    def put_into(self, network: Network) -> None:
        """Nothing joins any terminal."""


class Plug(Nothing):
    """All pins of the adapter joined, the core clip left open."""

    def put_into(self, network: Network) -> None:
        """Each terminal on one bar."""
        for coil in ("exc", "sin", "cos", "thermistor"):
            for end in ("hi", "lo"):
                network.resistor(f"{coil}_{end}", "plug", PLUG_OHM)


class Dummy:
    """The dummy part; its angle comes from the relays that are closed."""

    def iron(self, rotor_mech_rad: Floats) -> Iron:
        """One core for all three windings, whatever the rotor does: two halves in series couple without a leak."""
        half_h = PRIMARY_H / (2 * TURNS_EXC**2)
        size = np.atleast_1d(rotor_mech_rad).size
        return Iron(permeance_h=np.full((size, 2), half_h), leakage_h=0.0, loss_tan=TAN_LOSS)

    def put_into(self, network: Network, closed: frozenset[int]) -> None:
        """Transformer, chains, taps and reversing relays between the terminals."""
        network.coil(_winding("exc_hi", "exc_lo", TURNS_EXC, WINDING_EXC_OHM))
        lines = (LINE_A in closed, LINE_B in closed)
        for coil, taps, reversing in (("sin", SINE_TAP, LINE_S), ("cos", COSINE_TAP, LINE_C)):
            ends = [f"{coil} tap {n}" for n in range(6)]
            network.coil(_winding(ends[5], ends[0], TURNS_OUT, WINDING_OUT_OHM))
            for (low, high), ohm in zip(pairwise(ends), CHAIN_OHM, strict=True):
                network.resistor(low, high, ohm)
            hot, cold = f"{coil}_hi", f"{coil}_lo"
            if reversing in closed:
                hot, cold = cold, hot
            network.join(hot, ends[taps[lines]])
            network.join(cold, ends[0])


def _winding(high: str, low: str, turns: float, ohm: float) -> CoilBranch:
    return CoilBranch(high=high, low=low, turns=np.array([turns, -turns]), ohm=ohm)


Fitted = TruePart | Plug | Dummy | Nothing


def adapter_load(world: WorldFile, clamping: int) -> Fitted:
    """What the world has on the adapter; the part sits in its clamping (from 1)."""
    kind = world.holder.fitted
    if kind == "part":
        return TruePart(world, clamping)
    if kind == "dummy":
        return Dummy()
    return Plug() if kind == "shorting plug" else Nothing()
