"""What one channel of the sampler shows of another: crosstalk, as a half-width at the connectors.

It must never know a measurand. The bench file may state it (sampler, quantity "crosstalk", percent of the other
channel's volts); else -94 dB is taken, as multi-channel converters of 16 bits have it at 10 kHz. Where the run shows
more (a coil driven alone, the outputs' inputs open), that counts. The sign is unknown and the phase that of the other
channel, so it enters along the excitation's carrier. Definitions: rig/evaluation/README.md.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from rig.evaluation.sampler.phasors import COSINE, EXC_V, SINE, SeriesPhasors
from rig.observed import Observed

CROSSTALK = 2e-5


def crosstalk(obs: Observed, driven_alone: Sequence[SeriesPhasors | None]) -> float:
    """Half-width of the volts at one connector per volt at another. driven_alone: the series in which an output coil
    was driven and the outputs' inputs were open, None where one was not taken."""
    spec = obs.bench.sampler.spec_of("crosstalk")
    stated = CROSSTALK if spec is None else spec.percent_reading / 100.0
    shown = _largest_pickup(driven_alone)
    return shown if shown > 2.0 * stated else stated


def _largest_pickup(driven_alone: Sequence[SeriesPhasors | None]) -> float:
    """What an output's open input shows of the excitation while another coil is driven, where it is no noise."""
    most = 0.0
    for found in driven_alone:
        if found is None:
            continue
        for channel in (SINE, COSINE):
            seen = found.fit.fundamental[:, channel] / found.fit.fundamental[:, EXC_V]
            scatter = float(np.std(seen)) / math.sqrt(seen.size)
            mean = abs(complex(np.mean(seen)))
            most = max(most, mean if mean > 4.0 * scatter else 0.0)
    return most
