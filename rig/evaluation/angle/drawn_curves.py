"""The curves of a turn as they are drawn: error, envelopes, quadrature, inductance over the mechanical angle.

It must never know a limit. Units: rig/answer.py.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from rig.answer import Curves
from rig.evaluation.angle.curve import AngleCurve
from rig.evaluation.angle.maximum import Figures
from rig.evaluation.turn.ratios import Turn

Floats = NDArray[np.float64]


def curves_of(found: Turn, curve: AngleCurve, got: Figures) -> Curves:
    """All curves of a turn and of its error."""
    u, qu, v, qv = found.envelopes()
    inside = found.inside & (found.counter_clockwise | ~np.any(found.counter_clockwise))
    rank = np.flatnonzero(inside)[np.argsort(np.mod(found.theta_mech_rad[inside], 2 * math.pi), kind="stable")]
    omega = 2.0 * math.pi * found.frequency_hz
    current = found.exc_i[rank]
    z = np.divide(found.exc_v[rank], current, out=np.full(rank.size, np.nan, complex), where=np.abs(current) > 0.0)
    p = curve.found.value
    return Curves(
        angle_mech_deg=tuple(np.degrees(curve.theta_mech_rad).tolist()),
        error_ccw_elec_arcmin=_as_tuple(curve.ccw),
        error_cw_elec_arcmin=_as_tuple(curve.cw),
        error_mean_elec_arcmin=tuple(curve.mean.tolist()),
        error_model_elec_arcmin=tuple(got.model_curve.tolist()),
        error_band_elec_arcmin=float(2.0 * got.u_band),
        orders=tuple(got.model.orders),
        orders_mech_arcmin=tuple((np.abs(got.model.coefficients) / p).tolist()),
        envelope_angle_mech_deg=tuple(np.degrees(np.mod(found.theta_mech_rad[rank], 2 * math.pi)).tolist()),
        envelope_sine=tuple(u[rank].tolist()),
        envelope_cosine=tuple(v[rank].tolist()),
        quadrature_sine=tuple(qu[rank].tolist()),
        quadrature_cosine=tuple(qv[rank].tolist()),
        l_exc_h=_as_tuple(z.imag / omega if omega > 0.0 else np.full(rank.size, np.nan)),
    )


def _as_tuple(values: Floats) -> tuple[float | None, ...]:
    return tuple(float(v) if math.isfinite(v) else None for v in values)
