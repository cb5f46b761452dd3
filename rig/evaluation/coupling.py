"""What one channel of the sampler shows of another: crosstalk, as a half-width at the connectors.

It must never know a measurand. The bench file may state it (sampler, quantity "crosstalk", percent of the other
channel's volts); else -94 dB is taken, as multi-channel converters of 16 bits have it at 10 kHz. The sign is unknown
and the phase that of the other channel, so it enters along the excitation's carrier.
"""

from __future__ import annotations

from rig.evaluation.observed import Observed

CROSSTALK = 2e-5


def crosstalk(obs: Observed) -> float:
    """Half-width of the volts at one connector per volt at another."""
    spec = obs.bench.sampler.spec_of("crosstalk")
    return CROSSTALK if spec is None else spec.percent_reading / 100.0


def from_excitation(obs: Observed) -> float:
    """Half-width of what a channel shows of the excitation, as a ratio to the excitation at the coil."""
    return crosstalk(obs) * obs.bench.sampler.exc_divider
