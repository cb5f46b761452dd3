"""What the rig leaves uncertain in an error curve, by the order a turn at which it acts, and what that does to its rms.

It must never know a limit. Electrical arcmin; half-widths of the axis: rig/evaluation/angle/positioner.py.
Theory: rig/resolver/README.md, 2, 5.
"""

from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np

from rig.evaluation.angle.curve import AngleCurve
from rig.evaluation.angle.maximum import Figures
from rig.evaluation.angle.positioner import other_orders_mech_arcmin
from rig.evaluation.results import ARCMIN_PER_RAD, half_width, standard
from rig.evaluation.sampler.channels import Channels
from rig.evaluation.turn.ratios import Turn
from rig.evaluation.turn.rotation import Rotation
from rig.evaluation.turn.slip import play_half_width_mech_arcmin
from rig.resolver.turn.loading import FOURTH_ORDER
from rig.resolver.turn.orders import Orders
from rig.uncertainty.budget import BudgetLine
from rig.uncertainty.coverage import COVERAGE

GAIN = "channel gain sine against cosine"
QUANTILES = 1000


def gain_u_elec_arcmin(found: Turn) -> float:
    """Standard uncertainty, electrical arcmin, that the channels' gain and loading leave in the error (order 2p)."""
    gains = found.loopback.u_gain
    return float(0.5 * math.hypot(gains[2], gains[3], 0.1 * found.loading_u)) * ARCMIN_PER_RAD


def crosstalk_elec_arcmin(channels: Channels, found: Turn, order: int, pole_pairs: int) -> float:
    """Half-width, electrical arcmin, of what crosstalk adds at an order a turn: the excitation at p, the outputs in
    each other at 2p."""
    if order == pole_pairs:
        u, _, v, _ = found.envelopes()
        return channels.crosstalk_of_excitation / float(np.max(np.hypot(u, v))) * ARCMIN_PER_RAD
    return channels.crosstalk * ARCMIN_PER_RAD if order == 2 * pole_pairs else 0.0


def by_positioner(got: Figures, u: float, factor: float) -> list[BudgetLine]:
    """What the positioner leaves, simultaneous over the turn, by its orders: each even within what the file states."""
    names = {1: "positioner once a turn, simultaneous", 2: "positioner twice a turn, simultaneous"}
    return [
        half_width(names[n], u * math.sqrt(3.0 * share), "arcmin", factor, note=got.note)
        for n, share in got.by_order.items()
    ]


def on_the_curve(rotation: Rotation, found: Turn, p: int) -> list[tuple[int, BudgetLine]]:
    """Influences on the whole curve with the order a turn at which they act (0: unknown)."""
    other = p * other_orders_mech_arcmin(rotation, found.reference)
    channels = rotation.windings.channels
    leaked, outputs = (crosstalk_elec_arcmin(channels, found, order, p) for order in (p, 2 * p))
    unseen = 0.5 * p * rotation.slip.limit_mech_arcmin if rotation.slip is not None else 0.0
    return [
        (2 * p, standard(GAIN, gain_u_elec_arcmin(found), "arcmin", note="after the loopback")),
        (0, _play_left(rotation, found, p)),
        (0, half_width("slip not excluded", unseen, "arcmin", note="a ramp over the turn that closure can't see")),
        (0, half_width("axis, orders not stated", other, "arcmin")),
        (p, half_width("crosstalk of the excitation", leaked, "arcmin")),
        (2 * p, half_width("crosstalk of sine and cosine", outputs, "arcmin")),
        (4 * p, half_width("loading by the other output", other_output_elec_arcmin(found), "arcmin")),
    ]


def _play_left(rotation: Rotation, found: Turn, p: int) -> BudgetLine:
    """What the axis' play leaves in the mean of both passes, electrical arcmin: measured on the fly, else stated."""
    name = "backlash left after both passes"
    if found.repeat_elec_rad is not None:
        u = found.repeat_elec_rad * ARCMIN_PER_RAD
        return standard(name, u, "arcmin", note="turn two against turn one of each pass")
    width = p * play_half_width_mech_arcmin(rotation.observed, found.reference)
    return half_width(name, width, "arcmin", note="bench file")


def other_output_elec_arcmin(found: Turn) -> float:
    """Half-width, electrical arcmin, that the other output's current leaves in order 4p."""
    return FOURTH_ORDER * abs(found.loading_other.real) * ARCMIN_PER_RAD


def share_of_rms(got: Figures, order: int, u: float, p: int) -> float:
    """How far the rms of the curve follows a small wave of this order: by the curve's own wave there, |a| / (2 rms),
    and by the small wave's own power. Order 0: of all orders kept the one that matters most."""
    rms = max(got.rms, 1e-12)
    orders = [n for n in ([order] if order else got.kept) if n in got.model.orders and n % p == 0]
    own = max((got.model.amplitude(n) for n in orders), default=0.0) / (2.0 * rms)
    return min(math.hypot(own, u / (2.0 * rms)), 0.71)


def gain_in_rms(got: Figures, order: int, curve: AngleCurve, u: float) -> float:
    """How far the rms of the curve follows a gain's wave of standard uncertainty u, which may be larger than the curve:
    half of what 95.45 % of its errors stay below, over u. Without the wave g the rms is the root of
    rms^2 - a g + g^2 / 2, a being the part of order 2p along it."""
    if order not in got.model.orders or u <= 0.0:
        return 0.71
    own = abs(got.model.coefficients[got.model.orders.index(order)]) * math.cos(_from_gain(got.model, order, curve))
    waves = u * np.array([NormalDist().inv_cdf((i + 0.5) / QUANTILES) for i in range(QUANTILES)])
    without = np.sqrt(np.maximum(got.rms**2 - own * waves + 0.5 * waves**2, 0.0))
    return float(np.quantile(np.abs(got.rms - without), COVERAGE)) / 2.0 / u


def _from_gain(model: Orders, order: int, curve: AngleCurve) -> float:
    """Phase of order 2p from that of a gain's wave sin(2 theta_elec), rad."""
    own = complex(model.coefficients[model.orders.index(order)])
    gain_rad = curve.found.direction * (2.0 * curve.zero_elec_rad - math.pi / 2.0)
    return math.atan2(own.imag, own.real) - gain_rad


def share_of_amplitude(model: Orders, order: int, curve: AngleCurve, size_elec_arcmin: float) -> float:
    """How far the amplitude of order 2p follows a gain's wave sin(2 theta_elec) of this size: by the part along the
    order's own wave, and by the square of the part across it."""
    apart, own = _from_gain(model, order, curve), model.amplitude(order)
    across = min(1.0, abs(size_elec_arcmin * math.sin(apart)) / max(2.0 * own, 1e-12))
    return math.hypot(math.cos(apart), across)


def mixed_by_gain(model: Orders, order: int, p: int) -> float:
    """How far an order follows a gain's wave at 2p: the wave goes with the indicated angle, so that with the curve's
    own orders beside it, n - 2p and n + 2p, it makes this one: their amplitudes, electrical rad."""
    beside = [n for n in (abs(order - 2 * p), order + 2 * p) if n in model.orders]
    return math.hypot(*(model.amplitude(n) for n in beside)) / ARCMIN_PER_RAD
