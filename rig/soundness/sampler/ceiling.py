"""Does a channel stop below the converter's own rails, in a record or round the turn?

It must never give a reason, nor know a rail code (rig/soundness/sampler/signal.py does). Theory: rig/signal/ceiling.py.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from rig.evaluation.inspection.inspection import Inspection
from rig.evaluation.sampler.phasors import COSINE, EXC_V, SINE
from rig.observed import RECORD
from rig.signal.ceiling import Ceiling, envelope_ceiling, flattening, record_ceiling

Floats = NDArray[np.float64]
CHANNELS = {"exc_v": EXC_V, "sin": SINE, "cos": COSINE}
STRETCH_CYCLES = 10.0  # of a long record in which the amplitude changes


def channel_ceiling(inspection: Inspection, series: str, name: str) -> Ceiling | None:
    """The ceiling of a channel in its strongest record of a series (else round the turn); None where there is none."""
    found = inspection.evaluated.phasors(series)
    if found is None or name not in CHANNELS or series in inspection.observed.tables:
        return None
    stack = inspection.observed.captures.stack(series)
    c, hz = CHANNELS[name], found.frequency.frequency_hz
    strongest = int(np.flatnonzero(found.live)[int(np.argmax(np.abs(found.fit.fundamental[:, c])))])
    volts = stack.volts_of(slice(strongest, strongest + 1))[0]
    if series == RECORD:
        volts = _stretch(volts, c, round(STRETCH_CYCLES * stack.sample_rate_hz / hz))
    rate_hz = stack.sample_rate_hz
    source = math.inf if c == EXC_V else flattening(volts[EXC_V], rate_hz, hz)
    return record_ceiling(volts[c], rate_hz, hz, source)


def _stretch(volts: Floats, c: int, samples: int) -> Floats:
    """(channels, m) the stretch of a record in which a channel is strongest."""
    size = min(volts.shape[1], samples)
    start = min(max(0, int(np.argmax(np.abs(volts[c]))) - size // 2), volts.shape[1] - size)
    return volts[:, start : start + size]


def turn_ceilings(inspection: Inspection) -> dict[str, Ceiling]:
    """Output ("sin", "cos") -> the ceiling that its envelope shows round the turn, as a ratio to the excitation."""
    found, curve = inspection.evaluated.turn, inspection.evaluated.angle_curve
    if found is None or curve is None or found.coarse:
        return {}
    u, _, v, _ = (side[found.inside] for side in found.envelopes())
    theta = found.theta_mech_rad[found.inside]
    sides = {name: envelope_ceiling(theta, side, curve.found.value) for name, side in (("sin", u), ("cos", v))}
    return {name: ceiling for name, ceiling in sides.items() if ceiling is not None}
