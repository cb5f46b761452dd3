"""What one channel of the sampler shows of another: crosstalk, as a half-width at the connectors.

It must never know a measurand. The bench file may state it (sampler, quantity "crosstalk", percent of the other
channel's volts); else -94 dB is taken, as multi-channel converters of 16 bits have it at 10 kHz. Where the run shows
more (a coil driven alone, the outputs' inputs open), that counts. The sign is unknown and the phase that of the other
channel, so it enters along the excitation's carrier. Source: trade.md 7.
"""

from __future__ import annotations

import math

import numpy as np

from rig.evaluation.phasors import COSINE, EXC_V, SINE, series_phasors
from rig.observed import Observed

CROSSTALK = 2e-5


def crosstalk(obs: Observed) -> float:
    """Half-width of the volts at one connector per volt at another."""
    return obs.memo("crosstalk", lambda: _crosstalk(obs))


def _crosstalk(obs: Observed) -> float:
    spec = obs.bench.sampler.spec_of("crosstalk")
    stated = CROSSTALK if spec is None else spec.percent_reading / 100.0
    shown = _shown(obs)
    return shown if shown > 2.0 * stated else stated


def _shown(obs: Observed) -> float:
    """What an output's open input shows of the excitation while another coil is driven, where it is no noise."""
    most = 0.0
    for coil in ("sin", "cos"):
        found = series_phasors(obs, f"impedance_{coil}")
        if found is None:
            continue
        for channel in (SINE, COSINE):
            seen = found.fit.fundamental[:, channel] / found.fit.fundamental[:, EXC_V]
            scatter = float(np.std(seen)) / math.sqrt(seen.size)
            mean = abs(complex(np.mean(seen)))
            most = max(most, mean if mean > 4.0 * scatter else 0.0)
    return most


def from_excitation(obs: Observed) -> float:
    """Half-width of what a channel shows of the excitation, as a ratio to the excitation at the coil."""
    return crosstalk(obs) * obs.bench.sampler.exc_divider
