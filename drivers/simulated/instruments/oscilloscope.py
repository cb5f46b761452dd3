"""The words of a four-channel 8-bit oscilloscope of the DS1000Z class.

Written from the maker's manual: Rigol MSO1000Z/DS1000Z Programming Guide (:ACQuire, :CHANnel, :TIMebase, :TRIGger,
:WAVeform). Twelve divisions across; 25 codes a division, code 127 at the middle; pages of at most 250 000 bytes; the
trigger's place follows the time-base offset, and what lies before it is sampled too. Figures with a dagger are from
memory.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from drivers.simulated.instruments.four_channels import CHANNELS, FourChannels
from drivers.simulated.instruments.scpi.words import Call, Command, HeldReply, ScpiFault
from drivers.simulated.interfaces import WorldInterface
from drivers.simulated.wires.faults import Gate

DIVISIONS = 12.0
CODES_A_DIVISION = 25.0
MIDDLE = 127
HALF_DIVISIONS = 5.12  # dagger: half of 256 codes
DEPTHS = (3_000, 30_000, 300_000, 3_000_000)
PAGE_BYTES = 250_000
POLL_S = 0.02


class Oscilloscope(FourChannels):
    """bits: of the world's converter; its codes are cut to eight."""

    identity = "RIGOL TECHNOLOGIES,DS1104Z,SIM00003,00.04.04.SP4"
    depths: tuple[int, ...] = DEPTHS

    def __init__(self, world: WorldInterface, *, bits: int = 16, arm_s: float = 0.0, gate: Gate | None = None) -> None:
        super().__init__(world, bits=bits, arm_s=arm_s, gate=gate)
        self._power_on()
        self.table += self._acquiring() + self._channels() + self._reading() + self._common_commands()

    def _power_on(self) -> None:
        self._scale_v = [1.0] * CHANNELS
        self._display = [True, False, False, False]
        self._scale_s = 1e-6
        self._offset_s = 0.0
        self._depth = self.depths[0]
        self._state = "AUTO"
        self._ready_s = -math.inf
        self._end_s = -math.inf
        self._codes: NDArray[np.uint8] | None = None
        self._record_scale_v = list(self._scale_v)
        self._record_rate_hz = self._rate_hz
        self._source = 0
        self._mode = "NORM"
        self._format = "BYTE"
        self._first, self._last = 1, 1200

    @property
    def _rate_hz(self) -> float:
        return min(250e6, self._depth / (DIVISIONS * self._scale_s))

    def reset(self, _t_s: float, /) -> None:
        self._power_on()

    def operations_end_s(self) -> float:
        return self._end_s

    # acquiring ---------------------------------------------------------------------------------------------
    def _acquiring(self) -> list[Command]:
        return [
            Command("ACQuire:MDEPth", self._set_depth, lambda _: f"{self._depth}"),
            Command("ACQuire:SRATe", query=lambda _: _number(self._rate_hz)),
            self._constant("ACQuire:TYPE", "NORM", "NORMal"),
            Command("TIMebase[:MAIN]:SCALe", self._set_scale_s, lambda _: _number(self._scale_s)),
            Command("TIMebase[:MAIN]:OFFSet", self._set_offset_s, lambda _: _number(self._offset_s)),
            self._constant("TRIGger:MODE", "EDGE", "EDGE"),
            self._constant("TRIGger:SWEep", "SING", "SINGle", "NORMal", "AUTO"),
            Command("TRIGger:STATus", query=self._poll_status),
            Command("TFORce", set=self._force),
            Command("SINGle", set=self._single),
            Command("RUN", set=lambda _: self._run()),
            Command("STOP", set=lambda _: self._halt()),
        ]

    def _set_depth(self, call: Call) -> None:
        if call.text() == "AUTO":
            self._depth = self.depths[0]
            return
        depth = round(call.number())
        if depth not in self.depths:
            raise ScpiFault(-222)
        self._depth = depth

    def _set_scale_s(self, call: Call) -> None:
        value = call.number("S")
        if not 5e-9 <= value <= 50.0:
            raise ScpiFault(-222)
        decade = 10.0 ** math.floor(math.log10(value) + 1e-9)
        self._scale_s = min((m * decade for m in (1.0, 2.0, 5.0, 10.0)), key=lambda s: abs(s - value))

    def _set_offset_s(self, call: Call) -> None:
        self._offset_s = call.number("S")

    def _run(self) -> None:
        self._state = "AUTO"

    def _halt(self) -> None:
        self._state = "STOP"

    def _single(self, call: Call) -> None:
        self._state, self._codes = "WAIT", None
        self._ready_s = call.t_s + self._arm_s

    def _force(self, call: Call) -> None:
        """The record begins where the left edge of the screen lies against the trigger."""
        if self._state != "WAIT":
            return
        rate_hz = self._rate_hz
        start_s = max(call.t_s, self._ready_s) + self._offset_s - DIVISIONS / 2.0 * self._scale_s
        start_s = max(start_s, call.t_s)  # the world gives no samples of the past
        codes = self._sample(start_s, rate_hz, self._depth, [HALF_DIVISIONS * scale for scale in self._scale_v])
        eight = (codes.astype(np.int32) >> (self._bits - 8)) + MIDDLE
        self._codes = np.clip(eight, 0, 255).astype(np.uint8)
        self._record_scale_v, self._record_rate_hz = list(self._scale_v), rate_hz
        self._end_s = start_s + self._depth / rate_hz
        self._state = "TD"

    def _poll_status(self, call: Call) -> HeldReply:
        """Asking costs bench time: a polling client sees it pass."""
        reply_s = call.t_s + POLL_S
        return HeldReply(lambda: self._status(Call(reply_s)), lambda: reply_s)

    def _status(self, call: Call) -> str:
        if self._state == "TD" and call.t_s >= self._end_s:
            self._state = "STOP"
        return self._state

    # channels ----------------------------------------------------------------------------------------------
    def _channels(self) -> list[Command]:
        return [
            Command("CHANnel#:SCALe", self._set_scale_v, lambda c: _number(self._scale_v[self._channel(c)])),
            Command("CHANnel#:PROBe", self._set_probe, lambda _: _number(1.0)),
        ]

    def _set_scale_v(self, call: Call) -> None:
        value = call.number("V")
        if not 1e-3 <= value <= 10.0:
            raise ScpiFault(-222)
        self._scale_v[self._channel(call)] = value

    def _set_probe(self, call: Call) -> None:
        if call.number() != 1.0:
            raise ScpiFault(-222, "no probe is fitted")

    # reading -----------------------------------------------------------------------------------------------
    def _reading(self) -> list[Command]:
        return [
            Command("WAVeform:MODE", self._set_mode, lambda _: self._mode),
            Command("WAVeform:FORMat", self._set_format, lambda _: self._format),
            Command("WAVeform:STARt", self._set_first, lambda _: f"{self._first}"),
            Command("WAVeform:STOP", self._set_last, lambda _: f"{self._last}"),
            *self._preamble_rows(XINCrement=4, YINCrement=7, YORigin=8, YREFerence=9),
            Command("WAVeform:DATA", query=self._data),
        ]

    def _set_mode(self, call: Call) -> None:
        self._mode = call.choice("NORMal", "MAXimum", "RAW")

    def _set_format(self, call: Call) -> None:
        self._format = call.choice("BYTE", "WORD", "ASCii")

    def _set_first(self, call: Call) -> None:
        self._first = self._point(call)

    def _set_last(self, call: Call) -> None:
        self._last = self._point(call)

    def _point(self, call: Call) -> int:
        point = round(call.number())
        if not 1 <= point <= self._depth:
            raise ScpiFault(-222)
        return point

    def _preamble(self) -> list[str]:
        volts_a_code = self._record_scale_v[self._source] / CODES_A_DIVISION
        kinds = {"BYTE": "0", "WORD": "1", "ASC": "2"}
        points = self._depth if self._codes is None else self._codes.shape[1]
        return [
            kinds[self._format],
            {"NORM": "0", "MAX": "1", "RAW": "2"}[self._mode],
            f"{points}",
            "1",
            _number(1.0 / self._record_rate_hz),
            _number(0.0),
            "0",
            _number(volts_a_code),
            "0",
            f"{MIDDLE}",
        ]

    def _data(self, call: Call) -> bytes:
        if self._codes is None or self._status(call) != "STOP":
            raise ScpiFault(-230)
        if self._format == "ASC":
            raise ScpiFault(-221, "BYTE and WORD only")
        page = self._codes[self._source, self._first - 1 : min(self._last, self._first - 1 + PAGE_BYTES)]
        raw = page.tobytes() if self._format == "BYTE" else page.astype("<u2").tobytes()
        return b"#9" + f"{len(raw):09d}".encode() + raw


def _number(value: float) -> str:
    return f"{value:.6e}"
