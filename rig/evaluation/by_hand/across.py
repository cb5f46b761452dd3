"""What a turn by hand shows across the carriers: quadrature round the turn and the nulls of the fundamental.

It must never know a limit. Places are those of the indicated angle (rig/evaluation/by_hand/ellipse.py). Ratios, volts
rms at the nominal level.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from rig.errors import UsageError
from rig.evaluation.by_hand.ellipse import HandTurn, orders_shown
from rig.evaluation.coils.loading import Loading
from rig.evaluation.coils.windings import Windings
from rig.evaluation.results import half_width, make_result, make_untested, scatter, standard
from rig.evaluation.sampler.loopback import Loopback
from rig.evaluation.sampler.phasors import COSINE, SINE
from rig.evaluation.turn.envelopes import low_pass, pruned
from rig.quantity import Scalar
from rig.resolver.turn.largest_null import largest_null
from rig.resolver.turn.loading import ACROSS
from rig.resolver.turn.orders import Orders, fit_orders
from rig.resolver.turn.ratio import roots
from rig.result import Result

Floats = NDArray[np.float64]


def turning_across(found: HandTurn) -> float:
    """Half-width, rad, of a carrier's phase by a quadrature that turns with the rotor (rms across over rms along): over
    even places it does not tilt the phase but for how uneven these may be; over a part of the turn all of it may."""
    sides = ((found.qu, found.u), (found.qv, found.v))
    share = max(float(np.std(across) / np.std(along)) for across, along in sides)
    return share * (found.bend if found.whole else 1.0)


def _current_v(windings: Windings) -> float:
    """Volts at the current's connector per volt at the excitation coil; none seen: as of a coil of 50 ohm."""
    exc = windings.impedance("exc")
    return windings.observed.bench.sampler.shunt_ohm / (abs(exc.z_ohm) if exc is not None else 50.0)


def across_results(
    windings: Windings,
    found: HandTurn,
    loopback: Loopback,
    opened: Loading,
    conditions: dict[str, Scalar],
    *,
    pair: bool,
) -> list[Result]:
    """Quadrature over the turn and nulls of the fundamental; the harmonics of a null need the rotor at rest.

    pair: the outputs were captured without the excitation and give the carrier themselves, so that what one of them
    has across it shows in the other.
    """
    orders = orders_shown(found.theta_rad, found.cycle, found.whole)
    fine = np.linspace(0.0, 2 * math.pi, 4096, endpoint=False)
    sizes = (found.ellipse.amplitude_u, found.ellipse.amplitude_v)
    phases = (found.phase_sine_rad, found.phase_cosine_rad)
    shared = max(most / size for most, size in zip(found.across, sizes, strict=True)) if pair else 0.0
    results = []
    sides = zip(("sin", "cos"), (found.u, found.v), (found.qu, found.qv), sizes, found.across, phases, strict=True)
    for name, along, across, tr, most, phase in sides:
        leaked = windings.channels.crosstalk_of_excitation * abs(
            math.sin(phase)
        ) + windings.channels.crosstalk * _current_v(windings)
        fit, read = pruned(found.theta_rad, across, orders), low_pass(found.theta_rad, across, orders)
        quadrature = float(np.max(np.abs(fit.evaluate(fine)))) / tr
        noise = float(np.sqrt(np.max(fit.variance(fine[::64])))) / tr
        scale = math.hypot(
            windings.observed.bench.sampler.exc_divider_u,
            float(loopback.u_gain[SINE if name == "sin" else COSINE]),
            opened.u,
        )
        part = [] if found.whole else [most]
        lines = [
            scatter("noise and orders left out", noise, "ratio"),
            half_width("quadrature between the places fitted", read.residual_rms / tr, "ratio"),
            *(half_width("less than a whole turn", width / tr, "ratio") for width in part),
            half_width("carrier phase", turning_across(found), "ratio"),
            half_width("carrier that both outputs give", shared, "ratio"),
            half_width("crosstalk", leaked / tr, "ratio"),
            half_width("loading by the other output", ACROSS * abs(opened.other.imag), "ratio"),
            half_width("loading as the output's impedance turns", ACROSS * abs(opened.turning.imag), "ratio"),
            standard("loading by the sampler's inputs", opened.u, "relative", quadrature),
        ]
        results.append(make_result(f"quadrature_{name}", quadrature, lines, conditions))
        results.append(make_untested(f"null_total_{name}_v", "turned by hand: the rotor does not rest at its nulls"))
        results.append(_null(windings, found, name, along, read, leaked, scale, part, conditions))
    return results


def _null(
    windings: Windings,
    found: HandTurn,
    name: str,
    along: Floats,
    across: Orders,
    leaked: float,
    scale: float,
    part: list[float],
    conditions: dict[str, Scalar],
) -> Result:
    """The largest null of an output. leaked: half-width, ratio; scale: relative standard uncertainty of its volts;
    part: what a part of a turn may have missed, ratio."""
    level, id_ = windings.observed.part.excitation.level_v_rms, f"null_fund_{name}_v"
    try:
        orders = orders_shown(found.theta_rad, found.cycle, found.whole)
        at = np.array(roots(fit_orders(found.theta_rad, along, orders)))
    except UsageError as fault:
        return make_untested(id_, fault.message)
    parts, u = across.evaluate(at) * level, np.sqrt(across.variance(at)) * level
    worst = largest_null(parts[:, None], u[:, None], leaked * level)
    budget = [
        scatter("noise and crosstalk at the null", worst.u, "V"),
        standard("excitation divider and channel gain", scale, "relative", worst.value),
        *(half_width("less than a whole turn", width * level, "V") for width in part),
    ]
    shown = conditions | {"level_v_rms": level, "nulls": at.size, "bandwidth": "fundamental"}
    return make_result(id_, worst.value, budget, shown)
