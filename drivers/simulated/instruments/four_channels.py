"""What simulated samplers of four channels share: channels, display, source, and faults of a record."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from drivers.simulated.instruments.scpi.dialogue import ScpiInstrument
from drivers.simulated.instruments.scpi.words import Call, Command, ScpiFault
from drivers.simulated.interfaces import WorldInterface
from drivers.simulated.wires.faults import Gate

CHANNELS = 4
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


class FourChannels(ScpiInstrument, ABC):
    """bits: of the world's converter. arm_s: how long SING takes. gate: faults that act on a record."""

    def __init__(self, world: WorldInterface, *, bits: int, arm_s: float, gate: Gate | None) -> None:
        super().__init__()
        self._world = world
        self._bits = bits
        self._arm_s = arm_s
        self._gate = gate or Gate()
        self._source = 0
        self._display = [True] * CHANNELS

    def _sample(self, t_s: float, rate_hz: float, n: int, half_ranges_v: list[float]) -> Codes:
        """A record (4, n) of the world's codes, with the faults that act on it."""
        a, b, c, d = half_ranges_v
        codes = self._world.sample(t_s, rate_hz=rate_hz, n=n, ranges_v=(a, b, c, d))
        return spoil_record(codes, 2 ** (self._bits - 1), self._gate)

    @staticmethod
    def _channel(call: Call) -> int:
        if not 1 <= call.suffixes[0] <= CHANNELS:
            raise ScpiFault(-114)
        return call.suffixes[0] - 1

    @staticmethod
    def _constant(header: str, reply: str, *words: str) -> Command:
        """A setting of which this instrument has one value."""

        def accept(call: Call) -> None:
            call.only(1)
            call.choice(*words)

        return Command(header, accept, lambda _: reply)

    def _common_commands(self) -> list[Command]:
        return [
            Command("CHANnel#:DISPlay", self._set_display, lambda c: f"{self._display[self._channel(c)]:d}"),
            Command("CHANnel#:COUPling", self._set_coupling, lambda _: "DC"),
            Command("CHANnel#:OFFSet", self._set_offset, lambda c: f"{0.0 * self._channel(c):+.6e}"),
            Command("WAVeform:SOURce", self._set_source, lambda _: f"CHAN{self._source + 1}"),
        ]

    def _set_display(self, call: Call) -> None:
        self._display[self._channel(call)] = call.boolean()

    def _set_coupling(self, call: Call) -> None:
        self._channel(call)
        call.choice("DC")

    def _set_offset(self, call: Call) -> None:
        self._channel(call)
        if call.number("V") != 0.0:
            raise ScpiFault(-222, "its channels are centred on zero")

    def _set_source(self, call: Call) -> None:
        self._source = int(call.choice("CHANnel1", "CHANnel2", "CHANnel3", "CHANnel4")[-1]) - 1

    @abstractmethod
    def _preamble(self) -> list[str]:
        """The ten fields of :WAVeform:PREamble?."""

    def _preamble_rows(self, **fields: int) -> list[Command]:
        """The query of the whole preamble and of single fields of it."""

        def field(number: int) -> Callable[[Call], str]:
            return lambda _: self._preamble()[number]

        whole = Command("WAVeform:PREamble", query=lambda _: ",".join(self._preamble()))
        return [whole, *(Command(f"WAVeform:{name}", query=field(number)) for name, number in fields.items())]
