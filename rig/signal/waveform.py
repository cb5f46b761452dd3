"""What a sampler delivers: integer codes with their scale, one capture or a stack of equal captures.

It must never know what the channels mean to a resolver, nor where the captures are kept.
Scaling: volts = code * scale_v + offset_v per channel (IEEE 1057 usage: code bins, ideal straight line).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Codes = NDArray[np.int16] | NDArray[np.int32]


@dataclass(frozen=True, slots=True, kw_only=True)
class Waveform:
    """One simultaneous capture.

    codes: (channels, samples) integers as the converter gave them.
    scale_v, offset_v: (channels,) volts a code and volts at code zero, at the sampler's own input connector.
    rail_low, rail_high: the codes at which the converter (or the range) saturates.
    sample_rate_hz: as stated by the sampler. simultaneous: False when channels are sampled one after the other.
    """

    codes: Codes
    scale_v: Floats
    offset_v: Floats
    sample_rate_hz: float
    channels: tuple[str, ...]
    rail_low: int
    rail_high: int
    simultaneous: bool = True

    def volts(self) -> Floats:
        """(channels, samples) volts at the sampler's connectors."""
        volts: Floats = self.codes * self.scale_v[:, None] + self.offset_v[:, None]
        return volts


@dataclass(frozen=True, slots=True, kw_only=True)
class WaveformStack:
    """Equal captures in the order they were taken: codes (n, channels, samples); the rest as in `Waveform`."""

    codes: Codes
    scale_v: Floats
    offset_v: Floats
    sample_rate_hz: float
    channels: tuple[str, ...]
    rail_low: int
    rail_high: int
    simultaneous: bool = True

    def __len__(self) -> int:
        return int(self.codes.shape[0])

    def volts(self) -> Floats:
        """(n, channels, samples) volts; mind the memory of a long sweep (`volts_of` takes a part of it)."""
        return self.volts_of(slice(None))

    def volts_of(self, part: slice) -> Floats:
        """Volts of some of the captures, (k, channels, samples)."""
        volts: Floats = self.codes[part] * self.scale_v[None, :, None] + self.offset_v[None, :, None]
        return volts

    def one(self, i: int) -> Waveform:
        """The i-th capture by itself."""
        return Waveform(
            codes=self.codes[i],
            scale_v=self.scale_v,
            offset_v=self.offset_v,
            sample_rate_hz=self.sample_rate_hz,
            channels=self.channels,
            rail_low=self.rail_low,
            rail_high=self.rail_high,
            simultaneous=self.simultaneous,
        )


class Captures(Protocol):
    """Where evaluation finds the raw captures of a run; a series is a named group of equal captures."""

    def series(self) -> tuple[str, ...]:
        """Names of the series that hold at least one capture."""
        ...

    def stack(self, series: str) -> WaveformStack:
        """All captures of a series, in the order taken. Raises KeyError for a series that is not there."""
        ...


@dataclass(frozen=True, slots=True)
class HeldCaptures:
    """Captures in memory, by series (a `Captures`)."""

    stacks: Mapping[str, WaveformStack]

    def series(self) -> tuple[str, ...]:
        """Names of the series, in the order given."""
        return tuple(self.stacks)

    def stack(self, series: str) -> WaveformStack:
        """All captures of a series. Raises KeyError for a series that is not there."""
        return self.stacks[series]
