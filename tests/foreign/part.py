"""A foreign part with everything drawn: teeth, lobes, turns, copper, leaks, thermistor, and how it is clamped."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from foreign.circuit import NODES, Copper
from foreign.magnetics import MU0_H_PER_MM, Mount, Rotor, Stator

Floats = NDArray[np.float64]
TEETH = {1: (8, 10), 2: (8, 10, 12, 14, 16), 3: (12, 14, 18, 24), 4: (14, 16, 20, 24), 5: (20, 24), 6: (24,)}
BETA_K, R25_OHM = 3435.0, 10_000.0
CURVE_K = 0.1  # half-width that evaluation states for a thermistor's curve


@dataclass(frozen=True, kw_only=True)
class Foreign:
    """One part on one spindle. after: mount once the stator was knocked, else as mount; thermistor_k: how far the
    thermistor's curve is off, in kelvin."""

    pole_pairs: int
    teeth: int
    stator: Stator
    rotor: Rotor
    mount: Mount
    after: Mount
    copper: Copper
    thermistor_k: float

    def thermistor_ohm(self, degc: float) -> float:
        """Its resistance at a temperature: beta law, off by thermistor_k."""
        kelvin = degc + self.thermistor_k + 273.15
        return R25_OHM * math.exp(BETA_K * (1.0 / kelvin - 1.0 / 298.15))


def draw_part(
    rng: np.random.Generator, *, pole_pairs: int | None = None, teeth: int | None = None, knock_mm: float = 0.0
) -> Foreign:
    """A random good part; knock_mm: how far the stator is knocked between two passes."""
    p = int(pole_pairs or rng.choice(list(TEETH)))
    z = int(teeth or rng.choice(TEETH[p]))
    stator = draw_stator(rng, p, z)
    mount = draw_mount(rng, p)
    knock = knock_mm * np.exp(2j * math.pi * rng.random())
    after = Mount(
        stator_mm=mount.stator_mm + complex(knock),
        stator_rad=mount.stator_rad,
        runout_mm=mount.runout_mm,
        rotor_mm=mount.rotor_mm,
        clock_rad=mount.clock_rad,
    )
    return Foreign(
        pole_pairs=p,
        teeth=z,
        stator=stator,
        rotor=draw_rotor(rng, p),
        mount=mount,
        after=after,
        copper=draw_copper(rng),
        thermistor_k=CURVE_K * float(rng.uniform(-1.0, 1.0)),
    )


def draw_stator(rng: np.random.Generator, p: int, z: int) -> Stator:
    """Teeth scattered in place, width, recess, iron and turns."""
    pitch = 2.0 * math.pi / z
    exc = int(rng.integers(20, 29))
    out = round(exc * float(rng.uniform(1.35, 1.6)))
    radius, stack = float(rng.uniform(24.0, 36.0)), float(rng.uniform(6.0, 10.0))
    tooth_h = MU0_H_PER_MM * radius * stack * pitch * 0.6 / 0.75
    permeability, loss = float(rng.uniform(1500.0, 4000.0)), float(rng.uniform(0.1, 0.5))
    iron = rng.uniform(18.0, 26.0) / permeability * (1.0 + 0.02 * rng.standard_normal(z)) * (1.0 + 1j * loss)
    end = tooth_h * float(rng.uniform(0.5, 2.0)) * np.array([exc**2, out**2 / 2.0, out**2 / 2.0, 1.0])
    return Stator(
        radius_mm=radius,
        stack_mm=stack,
        centre_rad=pitch * (np.arange(z) + 0.002 * rng.standard_normal(z)),
        face_rad=pitch * float(rng.uniform(0.55, 0.75)) * (1.0 + 0.004 * rng.standard_normal(z)),
        recess_mm=np.abs(0.004 * rng.standard_normal(z)),
        iron_mm=iron,
        turns=draw_turns(rng, p, z, exc, out),
        slot_leakage_h=tooth_h * float(rng.uniform(0.08, 0.2)),
        end_leakage_h=end * (1.0 + 0.03 * rng.standard_normal(4)),
    )


def draw_turns(rng: np.random.Generator, p: int, z: int, exc: int, out: int) -> Floats:
    """(4, teeth) whole turns, alternating in sign; now and then a tooth of an output has one turn too many or few. The
    last row is the eddy-current loop round one tooth."""
    sign = np.where(np.arange(z) % 2 == 0, 1.0, -1.0)
    electrical = 2.0 * math.pi * p * np.arange(z) / z
    outputs = np.rint(out * np.stack([np.sin(electrical), np.cos(electrical)]))
    miscounted = (rng.random((2, z)) < 0.03) * rng.choice([-1.0, 1.0], (2, z))
    loop = np.zeros(z)
    loop[int(rng.integers(z))] = 1.0
    return np.stack([exc * sign, *(sign * (outputs + miscounted)), loop])


def draw_rotor(rng: np.random.Generator, p: int) -> Rotor:
    """Lobes irregular in height, width and place."""
    return Rotor(
        mean_gap_mm=float(rng.uniform(0.65, 0.85)),
        height=float(rng.uniform(0.46, 0.56)) * (1.0 + 0.006 * rng.standard_normal(p)),
        width=0.006 * rng.standard_normal(p),
        place_rad=0.003 / p * rng.standard_normal(p),
        second=0.01 * float(rng.standard_normal()),
        third=0.006 * float(rng.standard_normal()),
    )


def draw_mount(rng: np.random.Generator, p: int) -> Mount:
    """Stator and rotor off centre, run-out of the spindle's nose, any angle of the rotor on the spindle."""
    off = {1: 0.004, 2: 0.02}.get(p, 0.03)

    def within(most_mm: float) -> complex:
        return complex(most_mm * rng.random() * np.exp(2j * math.pi * rng.random()))

    return Mount(
        stator_mm=within(off),
        stator_rad=float(rng.uniform(-0.02, 0.02)),
        runout_mm=within(min(off, 0.01)),
        rotor_mm=within(0.5 * off),
        clock_rad=float(rng.uniform(0.0, 2.0 * math.pi)),
    )


def draw_copper(rng: np.random.Generator) -> Copper:
    """Resistances, capacitances, and a leak between any two nodes in three parts out of ten."""
    leak = np.zeros((len(NODES), len(NODES)))
    for i in range(len(NODES)):
        for j in range(i):
            if rng.random() < 0.3:
                leak[i, j] = leak[j, i] = 10.0 ** -rng.uniform(6.3, 7.9)
    between = np.diag(rng.uniform(40e-12, 150e-12, 3))
    for i, j in ((0, 1), (0, 2), (1, 2)):
        between[i, j] = between[j, i] = rng.uniform(5e-12, 40e-12)
    return Copper(
        r20_ohm=np.array([rng.uniform(8.3, 9.7), rng.uniform(13.8, 16.2), rng.uniform(13.8, 16.2)]),
        capacitance_f=between,
        leak_s=leak,
        loop_ohm=float(10.0 ** rng.uniform(-1.0, 1.0)),
    )


def part_data(part: Foreign, limits: tuple[dict[str, Any], ...] = ()) -> dict[str, Any]:
    """The part file that a shop would have of such a part, as data (keys: fixtures/README.md)."""
    pins = ("exc_hi", "exc_lo", "sin_hi", "sin_lo", "cos_hi", "cos_lo", "thermistor_hi", "thermistor_lo")
    return {
        "schema": "anglewright part 1",
        "number": f"FX{part.pole_pairs}-{part.teeth:02d}",
        "title": f"Foreign resolver, {part.pole_pairs} pole pairs, {part.teeth} teeth",
        "pole_pairs": part.pole_pairs,
        "teeth": part.teeth,
        "pins": {name: str(i + 1) for i, name in enumerate(pins)},
        "excitation": {"level_v_rms": 7.0, "frequency_hz": 10_000.0, "ceiling_v_rms": 8.0, "ceiling_a_rms": 0.4},
        "coils": {"exc": {"r20_ohm": 9.0}, "sin": {"r20_ohm": 15.0}, "cos": {"r20_ohm": 15.0}},
        "thermistor": {"kind": "ntc", "r25_ohm": R25_OHM, "beta_k": BETA_K},
        "limits": list(limits),
    }
