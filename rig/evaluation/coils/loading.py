"""How the sampler's inputs load the outputs: open-circuit over loaded voltage at every place of the rotor.

It must never know a limit or a definition of a measurand. V_open = V + Y (Z' V + Z_m V_other) with the excitation held
by its source: Z' = Z_coil - r^2 Z_exc of the output itself, followed round the turn by its own square, and Z_m between
both outputs (rig/resolver/turn/loading.py). Ratios to the excitation; ohm, siemens.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.evaluation.coils.impedance import Impedance
from rig.evaluation.coils.windings import Windings
from rig.observed import Observed
from rig.resolver.turn.loading import Between, between_outputs

Complexes = NDArray[np.complex128]
Floats = NDArray[np.float64]
UNKNOWN_LOADING = 0.05  # standard, share of the loading's correction that its model may miss
SEEN_SHAPE = 0.15  # spread of the squared ratio (0 to 1) over the impedance's positions that shows its turning part
NOMINAL_OUTPUT_OHM = 250.0 + 0j  # modulus of an output coil that was not measured, for the loading's uncertainty


@dataclass(frozen=True, slots=True, kw_only=True)
class Loading:
    """sine, cosine: (n,) open over loaded. u: relative standard uncertainty of what each output's own current does.
    other: half-width of what the other's current does where both outputs are largest, relative to the output and along
    its own carrier (real) and across it (imaginary); it goes round the turn with the square of the other output."""

    sine: Complexes
    cosine: Complexes
    u: float
    other: complex = 0j
    turning: complex = 0j


def loading(
    windings: Windings, ratios: tuple[Complexes, Complexes], frequency_hz: float, steps: Floats | None = None
) -> Loading:
    """The loading of both outputs. ratios: (n,) sine and cosine as measured; steps (n,): their positions."""
    sampler = windings.observed.bench.sampler
    omega = 2.0 * math.pi * frequency_hz
    y = 1.0 / sampler.input_ohm + 1j * omega * sampler.input_pf * 1e-12
    u_y = omega * sampler.input_pf_u * 1e-12
    exc = windings.impedance("exc")
    z_exc = exc.z_ohm if exc else 0j
    factors, slopes, u, unplaced = [], [], 0.0, 0j
    for coil, ratio in zip(("sin", "cos"), ratios, strict=True):
        own = windings.impedance(coil)
        if own is None:
            factors.append(np.ones_like(ratio))
            u = max(u, abs(NOMINAL_OUTPUT_OHM * y))
            continue
        slope, mean = _turning_part(windings.observed, own, ratio, steps)
        slopes += [slope] if slope else []
        if not slope and abs(span := _span(own)) > abs(unplaced):
            unplaced = span
        z_out = own.z_ohm + slope * (np.abs(ratio) ** 2 - mean) - ratio**2 * z_exc
        factors.append(1.0 + z_out * y)
        u = max(u, math.hypot(abs(own.z_ohm) * u_y, UNKNOWN_LOADING * abs(own.z_ohm * y)))
    between = _between(windings, z_exc, slopes)
    both = [f + between.ohm * y * other**2 for f, other in zip(factors, reversed(ratios), strict=True)]
    other = between.half_width_ohm * y * _square(ratios)
    return Loading(sine=both[0], cosine=both[1], u=u, other=other, turning=unplaced * y)


def _span(own: Impedance) -> complex:
    """Ohm: the impedance where it is largest less that where it is smallest."""
    size = np.abs(own.each_ohm)
    return complex(own.each_ohm[int(np.argmax(size))] - own.each_ohm[int(np.argmin(size))])


def _between(windings: Windings, z_exc: complex, slopes: list[complex]) -> Between:
    if z_exc == 0j:
        return Between(0j, 0.0)
    part, copper = windings.observed.part, windings.resistances["exc"]
    nominal = part.coils.get("exc")
    measured = copper.ohm if copper is not None else None
    ohm = measured if measured is not None else nominal.r20_ohm if nominal is not None else 0.0
    return between_outputs(part.pole_pairs, part.teeth, z_exc, ohm or 0.0, slopes)


def _square(ratios: tuple[Complexes, Complexes]) -> complex:
    """Square of the larger ratio, turned as the square of the outputs' own carrier is."""
    largest = max(float(np.max(np.abs(ratio))) for ratio in ratios)
    turned = complex(sum(np.sum((ratio - np.mean(ratio)) ** 2) for ratio in ratios))
    return largest**2 * (turned / abs(turned) if turned else 1.0)


def _turning_part(obs: Observed, own: Impedance, ratio: Complexes, steps: Floats | None) -> tuple[complex, float]:
    """(what an output coil's impedance gains with the square of its own ratio, ohm for a ratio of one; mean square at
    the positions of the impedance). Both follow the lobe under the coil's teeth. Zero where the positions of the
    impedance don't show it."""
    per_turn = obs.bench.axis.steps_per_turn if obs.bench.axis else 3200
    if steps is None or own.steps.size < 6 or not (np.all(np.isfinite(own.steps)) and np.all(np.isfinite(steps))):
        return 0j, 0.0
    square = np.abs(ratio) ** 2
    apart = np.abs(np.remainder(own.steps[:, None] - steps[None, :] + per_turn / 2, per_turn) - per_turn / 2)
    nearest = apart == np.min(apart, axis=1, keepdims=True)  # both passes stand there: neither may be preferred
    shape = nearest @ square / np.count_nonzero(nearest, axis=1)
    spread = float(np.std(shape))
    if float(np.max(np.min(apart, axis=1))) > per_turn / 100 or spread < SEEN_SHAPE * float(np.max(square)):
        return 0j, 0.0
    centred = shape - shape.mean()
    return complex(np.sum(centred * own.each_ohm)) / float(np.sum(centred**2)), float(shape.mean())
