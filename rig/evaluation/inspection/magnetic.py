"""The turn held against the reduced magnetic model: healthy, a shorted tooth, or a part that sits off centre.

It must never decide alone: soundness and findings ask it. Only a whole turn of the part's own pole pairs with both
outputs alive is tried. Angles mechanical, from the index, in the part file's positive sense (rig/resolver/model.py).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.evaluation.evaluated import Evaluated
from rig.evaluation.inspection.lines import is_open
from rig.evaluation.inspection.thresholds import (
    COUPLED,
    FEWEST_FOR_MODEL,
    FEWEST_FOR_RIPPLE,
    MOST_LOBES,
    ORDER_NOISES,
    POINTS_PER_ORDER,
    STRONG_SHARE,
    TOLD_SHARE,
)
from rig.evaluation.turn.ratios import Turn, silent_output
from rig.resolver.model import ECCENTRIC, HEALTHY, SHORTED, Design, ModelFit, fit_faults

ROTOR_RIPPLE = 0.0012  # of the excitation's inductance, at orders that turn with the rotor; a good part has 1e-4
ABOVE_NOISE = 4.0  # standard uncertainties of an order's component, the largest of a dozen orders
CLEAR = 12.0  # of the criterion: how much better one hypothesis has to be to leave another behind


@dataclass(frozen=True, slots=True, kw_only=True)
class Magnetics:
    """Hypotheses at their best. teeth_known: the part file says how many there are; sense: +1 or -1 of the turn."""

    design: Design
    fits: tuple[ModelFit, ...]
    teeth_known: bool
    sense: int

    def fit(self, kind: str) -> ModelFit:
        """The best of a kind."""
        return next(f for f in self.fits if f.kind == kind)

    @property
    def kind(self) -> str:
        """The kind that explains the turn clearly better than the others; HEALTHY when nothing does."""
        first = self.fits[0]
        healthy = self.fit(HEALTHY)
        clear = len(self.fits) < 2 or self.fits[1].criterion - first.criterion > CLEAR
        told = first.misfit < TOLD_SHARE * healthy.misfit and healthy.criterion - first.criterion > CLEAR
        return first.kind if clear and told else HEALTHY

    def lobe_faces_mech_deg(self) -> list[float]:
        """Rotor positions from the index, mechanical deg, at which a lobe faces a tooth that may be the shorted one."""
        found, p = self.fit(SHORTED).guess, self.design.pole_pairs
        first = math.degrees(2.0 * math.pi * found.tooth / self.design.teeth + found.zero_rad / p) * self.sense
        return sorted(round((first + 360.0 * k / p) % 360.0, 1) for k in range(p))

    def offset_toward_mech_deg(self) -> float:
        """Where the gap is narrow, mechanical deg from the index, for the off-centre hypothesis.

        An index stands anywhere against the stator; the electrical zero ties the two up to whole electrical turns.
        """
        found, p = self.fit(ECCENTRIC).guess, self.design.pole_pairs
        return math.degrees(found.toward_mech_rad + found.zero_rad / p) * self.sense % 360.0


def uncoupled_order(found: Turn | None) -> int:
    """The order a turn at which outputs that carry next to nothing still follow a rotor; 0 when they don't.

    A rotor whose lobes do not match the winding couples only by what the teeth differ; without a rotor nothing moves.
    """
    if found is None:
        return 0
    sides = (found.sine[found.inside], found.cosine[found.inside])
    if max(float(np.max(np.abs(side))) for side in sides) >= COUPLED:
        return 0
    orders = np.arange(1, 2 * MOST_LOBES + 1)
    orders = orders[orders < sides[0].size // POINTS_PER_ORDER]
    if orders.size == 0:
        return 0  # a few spots show no order
    basis = np.exp(-1j * np.outer(orders, found.theta_mech_rad[found.inside])) / sides[0].size
    size = np.max([np.abs(basis @ side) + np.abs(np.conj(basis) @ side) for side in sides], axis=0)
    noise = float(np.mean(found.u_ratio[found.inside])) / math.sqrt(sides[0].size)
    order = int(orders[int(np.argmax(size))])
    return order if float(size.max()) > ORDER_NOISES * noise else 0


def magnetics(evaluated: Evaluated) -> Magnetics | None:
    """The fits of this run; None where there is no whole turn to try them on."""
    obs, found, curve, impedance = (
        evaluated.observed,
        evaluated.turn,
        evaluated.angle_curve,
        evaluated.impedance("exc"),
    )
    if found is None or curve is None or impedance is None or found.coarse or silent_output(found):
        return None
    if any(is_open(evaluated, name) for name in ("exc", "sin", "cos")) or curve.found.value != obs.part.pole_pairs:
        return None
    if impedance.z_ohm.imag <= 0 or int(found.inside.sum()) < FEWEST_FOR_MODEL:
        return None
    p = obs.part.pole_pairs
    teeth = obs.part.teeth or 4 * p
    design = Design(pole_pairs=p, teeth=teeth, r=impedance.z_ohm.real / impedance.z_ohm.imag)
    sense = 1 if curve.found.direction >= 0 else -1
    inside = found.inside
    fits = fit_faults(design, sense * found.theta_mech_rad[inside], found.sine[inside], found.cosine[inside])
    return Magnetics(design=design, fits=tuple(fits), teeth_known=obs.part.teeth is not None, sense=sense)


def rotor_ripple(evaluated: Evaluated) -> NDArray[np.float64]:
    """Relative amplitude of the excitation's inductance over the turn, by mechanical order from 0; empty: not seen.

    Set to zero: order 0 and the multiples of p, which the stator makes as well, and what is no larger than the noise
    may make it. The noise is read from neighbouring points (second differences, in which so slow a ripple vanishes).
    """
    found, p = evaluated.turn, evaluated.observed.part.pole_pairs
    if found is None or found.coarse or evaluated.impedance("exc") is None:
        return np.zeros(0)
    chosen = found.inside & found.counter_clockwise
    if int(chosen.sum()) < FEWEST_FOR_RIPPLE:
        return np.zeros(0)
    rank = np.argsort(found.steps[chosen])
    inductance = np.imag(found.exc_v[chosen] / found.exc_i[chosen])[rank]
    orders = np.arange(min(3 * p, inductance.size // 3))
    turned = np.outer(found.theta_mech_rad[chosen][rank], orders[1:])
    basis = np.column_stack([np.ones(inductance.size), np.cos(turned), np.sin(turned)])
    fitted = np.linalg.lstsq(basis, inductance / inductance.mean(), rcond=None)[0]  # a gap must not look like a ripple
    out: NDArray[np.float64] = np.concatenate([[0.0], np.hypot(*fitted[1:].reshape(2, -1))])
    scatter = float(np.sqrt(np.mean(np.diff(inductance / inductance.mean(), 2) ** 2) / 6.0))
    out[out < ABOVE_NOISE * scatter * math.sqrt(2.0 / inductance.size)] = 0.0
    out[::p] = 0.0
    return out


def turns_with_rotor(ripple: NDArray[np.float64]) -> str:
    """What of the excitation's inductance turns with the rotor, by its `rotor_ripple`; "" for nothing."""
    if ripple.size == 0 or float(ripple.max()) < ROTOR_RIPPLE:
        return ""
    strong = [n for n in range(ripple.size) if ripple[n] > STRONG_SHARE * ripple.max()]
    told = ", ".join(f"{100 * ripple[n]:.2f} % at order {n}" for n in strong)
    return f"the excitation's inductance ripples with the rotor: {told}"
