"""The two-channel oscilloscope of the DS1000Z-E class: the words of its four-channel sister, two inputs on cables.

Source: Rigol MSO1000Z/DS1000Z Programming Guide, :ACQuire:MDEPth (memory depth with two channels on: 6k, 60k, 600k,
6M, 12M), read for the -E models too. Each input has a gain error of its own, and a little more on each range.
"""

from __future__ import annotations

import zlib

import numpy as np
from numpy.typing import NDArray

from drivers.simulated.instruments.four_channels import CHANNELS
from drivers.simulated.instruments.hand import Cables
from drivers.simulated.instruments.oscilloscope import Oscilloscope
from drivers.simulated.instruments.scpi.words import Call, ScpiFault
from drivers.simulated.interfaces import WorldInterface
from drivers.simulated.wires.faults import Gate
from drivers.simulated.worldfile.keys import SamplerWorld

INPUTS = 2
OPEN_NOISE_CODES = 40.0  # of sixteen bits: an input with nothing on it


class TwoChannelScope(Oscilloscope):
    """cables: which socket of the harness each input is on."""

    identity = "RIGOL TECHNOLOGIES,DS1102Z-E,SIM00003,00.06.03"
    depths = (6_000, 60_000, 600_000, 6_000_000, 12_000_000)

    def __init__(
        self, world: WorldInterface, own: SamplerWorld, cables: Cables, seed: int, *, gate: Gate | None = None
    ) -> None:
        super().__init__(world, bits=own.bits, arm_s=own.arm_s, gate=gate)
        self._cables, self._own, self._seed = cables, own, seed
        self._noise = np.random.default_rng((seed, 78))

    def _sample(self, t_s: float, rate_hz: float, n: int, half_ranges_v: list[float]) -> NDArray[np.int16]:
        """Two records as the cables are, on rows 0 and 1; the other rows are empty."""
        wanted = list(half_ranges_v)
        for socket in range(CHANNELS):
            at = [half_ranges_v[k] for k in range(INPUTS) if self._cables.on[k] == socket]
            wanted[socket] = max(at, default=half_ranges_v[0])
        codes = super()._sample(t_s, rate_hz, n, wanted)
        found = np.zeros((CHANNELS, n), dtype=np.int16)
        for k in range(INPUTS):
            socket_of = self._cables.on[k]
            if socket_of is None:
                found[k] = np.round(OPEN_NOISE_CODES * self._noise.standard_normal(n))
                continue
            scale = wanted[socket_of] / half_ranges_v[k] * (1.0 + self._gain(k, half_ranges_v[k]))
            found[k] = np.clip(np.round(codes[socket_of] * scale), -32768, 32767)
        return found

    def _gain(self, k: int, half_range_v: float) -> float:
        key = (self._seed, k, zlib.crc32(f"{half_range_v:.6g}".encode()))
        return self._own.scope_gain[k] + self._own.range_gain * float(np.random.default_rng(key).standard_normal())

    @staticmethod
    def _channel(call: Call) -> int:
        if not 1 <= call.suffixes[0] <= INPUTS:
            raise ScpiFault(-114)
        return call.suffixes[0] - 1

    def _set_source(self, call: Call) -> None:
        self._source = int(call.choice("CHANnel1", "CHANnel2")[-1]) - 1
