"""What faults of a sampler do to its record: samples missing, channels exchanged, a step of skew or gain, clipping.

Pure but for the gate that says which of them act on the present command.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from drivers.simulated.wires.faults import Gate

SINE, COSINE = 2, 3
Codes = NDArray[np.int16]


def spoil_record(codes: Codes, full_scale: int, gate: Gate) -> Codes:
    """Codes (channels, samples) as the sampler delivers them; full_scale: codes from the middle to a rail."""
    out = codes
    if fault := gate.acting("gap"):
        missing = min(round(fault.number(7)), out.shape[1] // 2)
        middle = out.shape[1] // 2
        out = np.concatenate([out[:, :middle], out[:, middle + missing :], out[:, -1:].repeat(missing, axis=1)], axis=1)
    if gate.acting("channel_swap"):
        out = out[[0, 1, COSINE, SINE]]
    if fault := gate.acting("skew_step"):
        out = out.copy()
        out[COSINE] = np.roll(out[COSINE], round(fault.number(1)))
    if fault := gate.acting("gain_step"):
        out = out.copy()
        out[SINE] = np.round(out[SINE] * fault.number(0.5)).astype(out.dtype)
    if fault := gate.acting("clip"):
        limit = round(full_scale * fault.number(0.25))
        out = np.clip(out, -limit, limit - 1)
    return out
