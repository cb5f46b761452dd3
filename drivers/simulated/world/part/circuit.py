"""The true part: its turns, copper, faults and thermistor, put into a network; and its iron at any rotor angle.

Signals emerge from geometry: excitation turns alternate in sign from tooth to tooth, sine and cosine turns are whole
numbers of turns with the same alternation, shorted turns leave their coil and are a closed coil of their own, leaks
join places along the coils. Coils are wound tooth by tooth from their low end (place 0) at tooth 1 to their high end
(place 1).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from drivers.simulated.world.part.air_gap import AirGap, seat_of
from drivers.simulated.world.part.network import OPEN_OHM, CoilBranch, Iron, Network
from drivers.simulated.worldfile.keys import WorldFile

Floats = NDArray[np.float64]

COILS = ("exc", "sin", "cos")
CORE = "core"
COPPER_CONSTANT_DEGC = 234.5
MOISTURE_OHM = 3e4
MOISTURE_DRYING_S = 900.0
# Relative resistance of each wet path: the pairs do not dry alike.
MOISTURE_PATHS = {
    ("exc", "core"): 1.0,
    ("sin", "core"): 1.3,
    ("cos", "core"): 1.7,
    ("exc", "sin"): 2.1,
    ("exc", "cos"): 2.6,
    ("sin", "cos"): 3.2,
}


def copper_factor(degc: float) -> float:
    """Copper resistance relative to 20 degC, constant 234.5 (IEC 60034-1)."""
    return (COPPER_CONSTANT_DEGC + degc) / (COPPER_CONSTANT_DEGC + 20.0)


def turns_table(pole_pairs: int, teeth: int, turns_exc: int, turns_out: int) -> dict[str, Floats]:
    """Signed whole turns of each coil on each tooth; outputs balanced so that they do not couple at a uniform gap."""
    alternation = np.where(np.arange(teeth) % 2 == 0, 1.0, -1.0)
    electrical = pole_pairs * 2 * math.pi * np.arange(teeth) / teeth
    return {
        "exc": turns_exc * alternation,
        "sin": alternation * _round_to_sum_zero(turns_out * np.sin(electrical)),
        "cos": alternation * _round_to_sum_zero(turns_out * np.cos(electrical)),
    }


def _round_to_sum_zero(wanted: Floats) -> Floats:
    """Rounded to whole turns with sum zero, the teeth that were rounded worst giving way."""
    wanted = np.where(np.abs(wanted) < 1e-9, 0.0, wanted)
    rounded: Floats = np.rint(wanted)
    excess = round(float(rounded.sum()))
    step = math.copysign(1.0, excess)
    for tooth in np.argsort(-(rounded - wanted) * step, kind="stable")[: abs(excess)]:
        rounded[tooth] -= step
    return rounded


class TruePart:
    """One part of one world in one seat. `clamping` None: centred, without the holder's draw."""

    def __init__(self, world: WorldFile, clamping: int | None) -> None:
        self.world = world
        part = world.part
        self.seat = seat_of(world, clamping)
        self.gap = AirGap(world, self.seat)
        self.turns = turns_table(part.pole_pairs, part.teeth, part.turns_exc, part.turns_out)
        self._ohm_per_turn = {c: part.r20_ohm(c) / float(np.abs(self.turns[c]).sum()) for c in COILS}
        self._remaining, self._shorted = self._short()

    def iron(self, rotor_mech_rad: Floats) -> Iron:
        """The magnetic side at axis angles (n,): mechanical, from the index; the seat's own angle is added here."""
        angles = np.atleast_1d(np.asarray(rotor_mech_rad, dtype=np.float64)) + self.seat.angle_mech_rad
        loss = math.tan(math.radians(self.world.part.core_loss_deg))
        return Iron(permeance_h=self.gap.permeance_h(angles), leakage_h=self.gap.leakage_permeance_h, loss_tan=loss)

    def is_open(self, what: str, degc: float) -> bool:
        """Whether a coil (or the thermistor) is open at a part temperature."""
        faults = self.world.part.faults
        return faults.open == what and (faults.open_above_degc is None or degc > faults.open_above_degc)

    def terminals(self, coil: str) -> tuple[str, str]:
        """The connector terminals (high, low) on which a coil's high and low ends come out."""
        faults = self.world.part.faults
        name = {"sin": "cos", "cos": "sin"}.get(coil, coil) if faults.swap_sin_cos else coil
        ends = (f"{name}_hi", f"{name}_lo")
        reversed_ = {"exc": faults.reverse_exc, "sin": faults.reverse_sin, "cos": faults.reverse_cos}[coil]
        return (ends[1], ends[0]) if reversed_ else ends

    def leaks(self, t_s: float) -> list[tuple[str, float, str, float, float]]:
        """(coil, place, coil or core, place, ohm) of every leak at a bench time."""
        faults = self.world.part.faults
        found = []
        for (a, b), factor in MOISTURE_PATHS.items():
            stated = getattr(faults, f"leak_{a}_{b}_ohm")
            if stated is not None:
                found.append((a, faults.leak_from, b, faults.leak_to, float(stated)))
            if faults.moisture:
                wet = MOISTURE_OHM / faults.moisture * factor * math.exp(t_s / MOISTURE_DRYING_S)
                found.append((a, 0.5, b, 0.5, min(wet, 1e11)))
        return found

    def put_into(
        self,
        network: Network,
        *,
        degc: float,
        t_s: float,
        thermistor_ohm: float | None,
        loose_ohm: Mapping[str, float] | None = None,
    ) -> None:
        """Add coils, contacts, leaks, winding capacitance and thermistor between terminals and core.

        loose_ohm: what intermittent contacts add to each coil just now.
        """
        leaks = self.leaks(t_s)
        faults = self.world.part.faults
        places: dict[str, set[float]] = {coil: set() for coil in COILS}
        for a, at_a, b, at_b, _ in leaks:
            places[a].add(at_a)
            if b != CORE:
                places[b].add(at_b)
        if faults.leak_thermistor_ohm is not None:
            places["exc"].add(faults.leak_to)
        for coil in COILS:
            contact_ohm = getattr(faults, f"contact_{coil}_ohm") + (loose_ohm or {}).get(coil, 0.0)
            network.resistor(self.terminals(coil)[0], _place(coil, 1.0), contact_ohm)
            self._put_coil(network, coil, sorted(places[coil]), copper_factor(degc), self.is_open(coil, degc))
        for turns, ohm in self._shorted:
            copper = ohm * copper_factor(degc)
            network.coil(CoilBranch(high="short", low="short", turns=turns, ohm=copper + faults.short_ohm))
        for a, at_a, b, at_b, ohm in leaks:
            end = CORE if b == CORE else _place(b, at_b)
            network.resistor(_place(a, at_a), end, ohm)
        if thermistor_ohm is not None:
            ohm = OPEN_OHM if self.is_open("thermistor", degc) else thermistor_ohm
            network.resistor("thermistor_hi", "thermistor_lo", ohm)
            if faults.leak_thermistor_ohm is not None:
                network.resistor("thermistor_hi", _place("exc", faults.leak_to), faults.leak_thermistor_ohm)

    def _put_coil(self, network: Network, coil: str, places: list[float], factor: float, is_open: bool) -> None:
        part = self.world.part
        network.join(self.terminals(coil)[1], _place(coil, 0.0))
        bounds = [0.0, *(x for x in places if 0.0 < x < 1.0), 1.0]
        cumulative = np.concatenate([[0.0], np.cumsum(np.abs(self._remaining[coil]))])
        total = cumulative[-1]
        for below, above in pairwise(bounds):
            removed = np.clip(above * total, cumulative[:-1], cumulative[1:]) - np.clip(
                below * total, cumulative[:-1], cumulative[1:]
            )
            turns = np.sign(self._remaining[coil]) * removed
            ohm = self._ohm_per_turn[coil] * float(removed.sum()) * factor + 1e-9
            if is_open and above == 1.0:
                ohm = OPEN_OHM
            network.coil(CoilBranch(high=_place(coil, above), low=_place(coil, below), turns=turns, ohm=ohm))
        network.capacitor(_place(coil, 1.0), _place(coil, 0.0), part.c_winding_pf * 1e-12)

    def _short(self) -> tuple[dict[str, Floats], list[tuple[Floats, float]]]:
        """What is left of each coil and the closed loops (turns, their copper at 20 degC)."""
        faults = self.world.part.faults
        remaining = {coil: turns.copy() for coil, turns in self.turns.items()}
        if not faults.shorted_coil or not faults.shorted_turns:
            return remaining, []
        turns = self.turns[faults.shorted_coil]
        tooth = (faults.shorted_tooth - 1) % len(turns)
        while turns[tooth] == 0:
            tooth = (tooth + 1) % len(turns)
        loop = np.zeros_like(turns)
        loop[tooth] = math.copysign(min(float(faults.shorted_turns), abs(turns[tooth])), turns[tooth])
        remaining[faults.shorted_coil] = turns - loop
        return remaining, [(loop, self._ohm_per_turn[faults.shorted_coil] * abs(float(loop[tooth])))]


def _place(coil: str, at: float) -> str:
    return f"{coil}@{at:.6f}"
