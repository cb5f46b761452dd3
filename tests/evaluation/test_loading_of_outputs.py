"""What one output's current does to the other, against both kinds of magnetics: the field model's and the circuit's."""

from __future__ import annotations

import numpy as np
import pytest
from drawn_rig import drawn
from foreign.circuit import Ports
from foreign.world import foreign_world
from numpy.typing import NDArray

from drivers.simulated.world.part.circuit import COILS, TruePart
from rig.resolver.turn.loading import between_outputs

PLACES = 2.0 * np.pi * np.arange(96) / 96
Complexes = NDArray[np.complex128]


def true_and_stated(z: Complexes, pole_pairs: int, teeth: int, copper_ohm: float) -> tuple[complex, complex, float]:
    """(K as the impedance matrix (n, 3, 3) has it, K and its half-width as they are stated), over Z_exc."""
    exc = z[:, 0, 0]
    ratios = [z[:, i, 0] / exc for i in (1, 2)]
    both = ratios[0] * ratios[1]
    true = complex(np.vdot(both, z[:, 1, 2] - both * exc) / np.vdot(both, both))
    slopes = []
    for i, ratio in zip((1, 2), ratios, strict=True):
        square = np.abs(ratio) ** 2 - np.mean(np.abs(ratio) ** 2)
        slopes.append(complex(square @ z[:, i, i] / (square @ square)))
    found = between_outputs(pole_pairs, teeth, complex(exc.mean()), copper_ohm, slopes)
    size = abs(complex(exc.mean()))
    return true / size, found.ohm / size, found.half_width_ohm / size


@pytest.mark.parametrize("seed", [1, 20005, 20004, 20001, 20003, 20007, 20012, 20017])
def test_of_the_field_model(seed: int) -> None:
    """p 1 to 5, with and without teeth in common: inside the half-width, whose size is a tenth or two of Z_exc."""
    world = foreign_world(seed)
    ports = Ports(world.coils, world.part.copper, PLACES, 10_000.0, world.rig.part_degc)
    copper = float(world.part.copper.ohm(world.rig.part_degc)[0])
    true, found, width = true_and_stated(np.linalg.inv(ports.y), world.part.pole_pairs, world.part.teeth, copper)
    assert abs(found - true) < width < 0.2


@pytest.mark.parametrize("seed", range(3))
def test_of_the_circuit(seed: int) -> None:
    """The simulated parts, four teeth a pole pair: what goes through the excitation coil and what the yoke couples
    nearly cancel."""
    here = drawn(seed)
    part = TruePart(here.file, 1)
    turns = np.stack([part.turns[coil] for coil in COILS], axis=1)
    copper = np.array([here.file.part.r20_ohm(coil) for coil in COILS])
    z = 2j * np.pi * 10_000.0 * part.iron(PLACES).inductance_h(turns) + np.diag(copper)
    true, found, width = true_and_stated(z, here.file.part.pole_pairs, here.file.part.teeth, float(copper[0]))
    assert abs(found - true) < width < 0.2
    assert abs(true) < 0.3
