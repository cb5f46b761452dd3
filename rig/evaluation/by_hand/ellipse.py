"""A turn by hand out of complex ratios: envelopes, the angle followed without jumps, even places, the ellipse.

It must never know a run, an instrument or a limit. The radius over the indicated electrical angle, the same number of
times everywhere however jerkily the hand moved, carries ratio, imbalance, orthogonality and centre; winding harmonics
look like them (a_3 like a_-1, a_2 like a_0). The carriers' phases are those over the same even places. Theory:
rig/resolver/README.md, 2.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.errors import UsageError
from rig.evaluation.turn.orders import largest_gap
from rig.resolver.turn.angle import electrical_angle
from rig.resolver.turn.ellipse import Ellipse, fit_ellipse
from rig.resolver.turn.noise import noise_of
from rig.resolver.turn.orders import fit_orders
from rig.signal.phasor import carrier_phase, signed_envelope

Complexes = NDArray[np.complex128]
Floats = NDArray[np.float64]
BINS = 16  # places a cycle of the electrical angle, in which a turn that is not covered is seen
MOST_BINS = 48  # places a cycle at which the turn is read where it was slow enough
LEAST_IN_BIN = 8  # windows a place on the average
FILLED = 0.75
LARGEST_GAP = 0.25  # electrical cycles that a whole turn may leave out in a row: order 2p is then seen everywhere
MECHANICAL = 3  # orders of the turn are known up to this electrical order
LEAST_DOF = 6
HARMONIC_ORDERS = (3, 4, 5, 6)  # electrical orders of the radius that only winding harmonics make


@dataclass(frozen=True, slots=True, kw_only=True)
class HandTurn:
    """The turn by hand. cycles: electrical turns covered in all; turns_mech: by the pole pairs told; whole: a whole
    mechanical turn was covered, so that what the rotor does once a turn is averaged.

    harmonic: amplitude of the largest radius order that only winding harmonics make, relative. bend: how far even
    places of the indicated angle may be uneven places of the rotor, relative, by centre, imbalance, orthogonality and
    harmonics. u_phase_rad: standard uncertainties of both phases by the scatter across the carrier. theta (b,):
    indicated, mechanical rad where whole, else electrical. across: modulus of quadrature that one window in a hundred
    passes. u, v, qu, qv (b,): in-phase and quadrature envelopes there."""

    ellipse: Ellipse
    phase_sine_rad: float
    phase_cosine_rad: float
    u_phase_rad: tuple[float, float]
    theta_rad: Floats
    cycle: int
    u: Floats
    v: Floats
    qu: Floats
    qv: Floats
    cycles: float
    turns_mech: float
    whole: bool
    harmonic: float
    bend: float
    across: tuple[float, float]
    points: int


def hand_turn(sine: Complexes, cosine: Complexes, speed_elec_rad_s: Floats, at_s: Floats, pole_pairs: int) -> HandTurn:
    """From ratios of all windows in order of time.

    sine, cosine: (n,) complex ratios; speed_elec_rad_s: electrical rad a second at each, to bridge the gaps between
    captures; at_s: seconds. Raises UsageError when less than an electrical turn was covered.
    """
    common = carrier_phase(np.concatenate([sine - sine.mean(), cosine - cosine.mean()]), constant=0j).phase_rad
    phases = [carrier_phase(part, sign_from=common) for part in (sine, cosine)]
    u, qu = signed_envelope(sine, phases[0].phase_rad)
    v, qv = signed_envelope(cosine, phases[1].phase_rad)
    theta = follow_angle(electrical_angle(u, v), speed_elec_rad_s, at_s)
    cycles = float(np.ptp(theta)) / (2 * math.pi)
    whole = _coverage(theta, pole_pairs) >= FILLED and _gap(theta, pole_pairs) <= LARGEST_GAP / pole_pairs
    span = pole_pairs if whole else 1
    if (covered := _coverage(theta, span)) < FILLED:
        raise UsageError(
            f"{cycles:.2f} electrical turns were covered, {100 * covered:.0f} % of the places: no ellipse.",
            next_action="Turn the rotor through a whole turn, slowly, and record again.",
        )
    places = _places(theta, span)
    bins, means = _even(theta, span, places, (np.hypot(u, v), qu, qv))
    radius, across_u, across_v = means
    (phase_u, shown_u, even_qu), (phase_v, shown_v, even_qv) = (
        _turned(side.phase_rad, radius * wave, across)
        for side, wave, across in zip(phases, (np.sin(bins), np.cos(bins)), (across_u, across_v), strict=True)
    )
    smooth, harmonic = _harmonics(bins, radius, span, places)  # a harmonic that is known is no scatter of the ellipse
    ellipse = fit_ellipse(smooth * np.sin(bins), smooth * np.cos(bins))
    return HandTurn(
        ellipse=ellipse,
        phase_sine_rad=phase_u,
        phase_cosine_rad=phase_v,
        u_phase_rad=(
            _phase_noise(bins / span, shown_u, even_qu, orders_shown(bins / span, span, whole)),
            _phase_noise(bins / span, shown_v, even_qv, orders_shown(bins / span, span, whole)),
        ),
        theta_rad=bins / span,
        cycle=span,
        u=shown_u,
        v=shown_v,
        qu=even_qu,
        qv=even_qv,
        cycles=cycles,
        turns_mech=cycles / pole_pairs,
        whole=whole,
        harmonic=harmonic,
        bend=off_centre(ellipse) + 0.5 * math.hypot(ellipse.imbalance, ellipse.orthogonality_rad) + harmonic,
        across=(float(np.quantile(np.abs(qu), 0.99)), float(np.quantile(np.abs(qv), 0.99))),
        points=u.size,
    )


def orders_shown(theta_rad: Floats, span: int, whole: bool) -> list[int]:
    """Orders that the places of a turn by hand show: a third of the places, and none whose wave a gap hides."""
    if not whole:
        return list(range(1, min(8, (theta_rad.size - 2) // 3) + 1))
    top = min(theta_rad.size // 3, int(2 * math.pi / largest_gap(theta_rad)) - 1)
    return list(range(1, max(span, top) + 1))


def _phase_noise(theta: Floats, along: Floats, across: Floats, orders: list[int]) -> float:
    """Standard uncertainty of a carrier's phase, rad, by the scatter across it that no order of the turn explains."""
    left = noise_of(theta, across, fit_orders(theta, across, orders))
    return float(np.linalg.norm(left) / np.sqrt(left.size) / np.linalg.norm(along))


def off_centre(ellipse: Ellipse) -> float:
    """Distance of the ellipse's centre from zero, relative to its size: first order of the radius."""
    return math.hypot(ellipse.centre_u / ellipse.amplitude_u, ellipse.centre_v / ellipse.amplitude_v)


def _turned(phase_rad: float, along: Floats, across: Floats) -> tuple[float, Floats, Floats]:
    """(phase, envelope, quadrature) of an output once its carrier is the one over these even places: where the hand
    lingers the windings' quadrature counts more often, which tilts the phase of all windows together."""
    values = along + 1j * across
    turn = 0.5 * float(np.angle(np.sum((values - np.mean(values)) ** 2)))
    turned = values * np.exp(-1j * turn)
    return phase_rad + turn, turned.real.copy(), turned.imag.copy()


def follow_angle(theta_elec_rad: Floats, speed_elec_rad_s: Floats, at_s: Floats) -> Floats:
    """The angle without jumps: each step is taken as the one nearest to mean speed times time."""
    steps = np.diff(theta_elec_rad)
    expected = 0.5 * (speed_elec_rad_s[1:] + speed_elec_rad_s[:-1]) * np.diff(at_s)
    whole = np.round((expected - steps) / (2 * math.pi))
    angle: Floats = theta_elec_rad[0] + np.concatenate([[0.0], np.cumsum(steps + 2 * math.pi * whole)])
    return angle


def turning(ratios: list[Complexes], slopes: list[Complexes]) -> Floats:
    """Electrical rad a second of each window, from the ratios' own change: (v u' - u v') / (u^2 + v^2)."""
    sine, cosine = ratios
    common = carrier_phase(np.concatenate([sine - sine.mean(), cosine - cosine.mean()]), constant=0j).phase_rad
    u, v = ((part * np.exp(-1j * common)).real for part in ratios)
    du, dv = ((part * np.exp(-1j * common)).real for part in slopes)
    speed: Floats = (v * du - u * dv) / np.maximum(u * u + v * v, 1e-30)
    return speed


def _gap(theta: Floats, pole_pairs: int) -> float:
    """Largest share of a mechanical turn in a row that no window passed."""
    return largest_gap(theta / pole_pairs) / (2 * math.pi)


def _coverage(theta: Floats, pole_pairs: int) -> float:
    """Share of the places of a mechanical turn that were passed."""
    places = BINS * pole_pairs
    at = np.floor(np.mod(theta / pole_pairs, 2 * math.pi) / (2 * math.pi) * places).astype(np.int64)
    return len(np.unique(at)) / places


def _places(theta: Floats, span: int) -> int:
    """Places of `span` electrical cycles at which the turn is read: as many as are all passed, BINS a cycle or more."""
    turned = np.mod(theta / span, 2 * math.pi) / (2 * math.pi)
    for places in range(MOST_BINS * span, BINS * span, -BINS * span):
        if theta.size >= LEAST_IN_BIN * places and len(np.unique(np.floor(turned * places))) == places:
            return places
    return BINS * span


def _even(theta: Floats, span: int, places: int, values: tuple[Floats, ...]) -> tuple[Floats, tuple[Floats, ...]]:
    """(electrical angle of each place that was passed, mean of the values there, to first order at its centre)."""
    turned = np.mod(theta / span, 2 * math.pi) / (2 * math.pi) * places
    at = np.minimum(np.floor(turned).astype(np.int64), places - 1)
    count = np.bincount(at, minlength=places)
    seen = np.flatnonzero(count)
    means = []
    for value in values:
        smooth = fit_orders(np.mod(theta, 2 * math.pi), value, range(1, 9))
        left = value - smooth.evaluate(np.mod(theta, 2 * math.pi))
        rest = np.bincount(at, weights=left, minlength=places)[seen] / count[seen]
        centre = (seen + 0.5) / places * 2 * math.pi * span
        means.append(rest + smooth.evaluate(np.mod(centre, 2 * math.pi)))
    return (seen + 0.5) / places * 2 * math.pi * span, tuple(means)


def _harmonics(bins: Floats, radius: Floats, span: int, places: int) -> tuple[Floats, float]:
    """((b,) radius of the ellipse and its scatter alone, largest order that only winding harmonics make over the mean).

    Orders of the turn that are not the ellipse's own (its first and second) are known and no scatter: winding harmonics
    and, over a whole turn, what the rotor does in it. What is left is scaled by the degrees of freedom they took
    (rig/resolver/turn/noise.py)."""
    harmonics = [span * n for n in HARMONIC_ORDERS]
    orders = sorted({*range(1, MECHANICAL * span + 1), *harmonics}) if span > 1 else [1, 2, *harmonics]
    if radius.size < places or radius.size - 2 * len(orders) - 1 < LEAST_DOF:
        orders = [span, 2 * span, *harmonics]  # over a gap the orders of the turn can't be told apart
    fit = fit_orders(bins / span, radius, orders)
    own = [fit.orders.index(span), fit.orders.index(2 * span)]
    waves = sum((fit.coefficients[i] * np.exp(1j * fit.orders[i] * bins / span)).real for i in own)
    largest = max(fit.amplitude(n) for n in harmonics) / fit.constant
    return fit.constant + waves + noise_of(bins / span, radius, fit), largest
