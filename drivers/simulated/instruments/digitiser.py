"""The words of a four-channel simultaneous 16-bit digitiser that speaks the usual oscilloscope waveform dialogue.

Written from the makers' manuals: Keysight InfiniiVision Programmer's Guide (":WAVeform", ten-field preamble,
definite-length blocks) and Infiniium Programmer's Guide (":ACQuire:SRATe", ":ADER?", signed WORD data). volts = (raw
- yreference) * yincrement + yorigin; codes are left-justified in 16 bits. The sample clock is 50 MHz over a whole
number of at least 200. SING costs the arming time; DATA? a quarter of the read time of a record.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from drivers.simulated.instruments.four_channels import CHANNELS, FourChannels
from drivers.simulated.instruments.scpi.words import Busy, Call, Command, HeldReply, ScpiFault
from drivers.simulated.interfaces import WorldInterface
from drivers.simulated.wires.faults import Gate

CLOCK_HZ = 50e6
MIN_DIVISOR = 200
MAX_DIVISOR = 5_000_000
MAX_POINTS = 1_000_000
LEAST_FULL_SCALE_V = 0.02
POLL_S = 0.001  # what asking for an event register costs: a polling client sees bench time pass
FORMATS = {"BYTE": 0, "WORD": 1, "ASC": 4}
Codes = NDArray[np.int16]


class Digitiser(FourChannels):
    """Arm (SING), start (TRIG:FORC), wait (*OPC?), read (WAV:DATA?). bits: of the converter, at most 16."""

    identity = "Keysight Technologies,DSOS404D,SIM00003,SIM-1.0"

    def __init__(
        self,
        world: WorldInterface,
        *,
        bits: int = 16,
        range_v: float = 10.0,
        arm_s: float = 0.0,
        read_s: float = 0.0,
        gate: Gate | None = None,
    ) -> None:
        super().__init__(world, bits=bits, arm_s=arm_s, gate=gate)
        self._read_s = read_s
        self._most_full_scale_v = 2.0 * max(range_v, 20.0)
        self._start_full_scale_v = 2.0 * range_v
        self._power_on()
        self.table += self._acquiring() + self._channels() + self._reading() + self._common_commands()

    def _power_on(self) -> None:
        self._divisor = MIN_DIVISOR
        self._points = 1000
        self._full_scale_v = [self._start_full_scale_v] * CHANNELS
        self._display = [True] * CHANNELS
        self._source = 0
        self._format = "WORD"
        self._lsb_first = False
        self._unsigned = False
        self._armed = False
        self._end_s = -math.inf
        self._codes: Codes | None = None
        self._record_full_scale_v = list(self._full_scale_v)
        self._record_rate_hz = self._rate_hz
        self._end_reported = True
        self._trigger_reported = True

    @property
    def _rate_hz(self) -> float:
        return CLOCK_HZ / self._divisor

    # status ------------------------------------------------------------------------------------------------
    def operations_end_s(self) -> float:
        return math.inf if self._armed else self._end_s

    def reset(self, _t_s: float, /) -> None:
        self._power_on()

    def clear(self, _t_s: float, /) -> None:
        self._stop()

    def trigger(self, t_s: float, /) -> None:
        self._force(t_s)

    # acquiring ---------------------------------------------------------------------------------------------
    def _acquiring(self) -> list[Command]:
        return [
            Command("ACQuire:SRATe[:ANALog]", self._set_rate, lambda _: _number(self._rate_hz)),
            Command("ACQuire:POINts[:ANALog]", self._set_points, lambda _: f"{self._points}"),
            self._constant("ACQuire:TYPE", "NORM", "NORMal"),
            self._constant("ACQuire:MODE", "RTIM", "RTIMe"),
            Command("TIMebase:RANGe", query=lambda _: _number(self._points / self._rate_hz)),
            self._constant("TIMebase:REFerence", "LEFT", "LEFT"),
            self._constant("TRIGger:MODE", "EDGE", "EDGE"),
            self._constant("TRIGger:SWEep", "NORM", "NORMal", "TRIGgered"),
            Command("TRIGger:FORCe", set=lambda c: self._force(c.t_s)),
            Command("SINGle", set=self._single),
            Command("DIGitize", set=self._digitize),
            Command("RUN", set=self._refuse_run),
            Command("STOP", set=lambda _: self._stop()),
            Command("ADER", query=self._capture_ended),
            Command("TER", query=self._wait_for_trigger),
        ]

    @staticmethod
    def _refuse_run(_call: Call) -> None:
        raise ScpiFault(-221, "free running is not available; use SINGle")

    def _set_rate(self, call: Call) -> None:
        call.only(1)
        words = {"MINimum": CLOCK_HZ / MAX_DIVISOR, "MAXimum": CLOCK_HZ / MIN_DIVISOR, "AUTO": CLOCK_HZ / MIN_DIVISOR}
        rate_hz = call.number("HZ", words)
        if not CLOCK_HZ / MAX_DIVISOR * 0.999 <= rate_hz <= CLOCK_HZ / MIN_DIVISOR * 1.001:
            raise ScpiFault(-222)
        around = {max(MIN_DIVISOR, math.floor(CLOCK_HZ / rate_hz)), max(MIN_DIVISOR, math.ceil(CLOCK_HZ / rate_hz))}
        self._divisor = min(around, key=lambda divisor: abs(CLOCK_HZ / divisor - rate_hz))

    def _set_points(self, call: Call) -> None:
        call.only(1)
        points = round(call.number(words={"MINimum": 1, "MAXimum": MAX_POINTS, "AUTO": 1000}))
        if not 1 <= points <= MAX_POINTS:
            raise ScpiFault(-222)
        self._points = points

    def _single(self, call: Call) -> Busy:
        call.none()
        self._stop()
        self._armed = True
        return Busy(call.t_s + self._arm_s)

    def _force(self, t_s: float) -> None:
        if not self._armed:
            raise ScpiFault(-211)
        self._armed = False
        self._record_full_scale_v = list(self._full_scale_v)
        self._record_rate_hz = self._rate_hz
        self._codes = self._sample(t_s, self._rate_hz, self._points, [full / 2.0 for full in self._record_full_scale_v])
        if self._gate.acting("overflow"):
            self.push(-230, "Data corrupt or stale; acquisition memory overflow")
        self._end_s = t_s + self._points / self._rate_hz
        self._end_reported = self._trigger_reported = False

    def _digitize(self, call: Call) -> Busy:
        """Arms, starts at once and keeps the parser until the record is complete."""
        self._stop()
        self._armed = True
        self._force(call.t_s + self._arm_s)
        return Busy(self._end_s)

    def _stop(self) -> None:
        """A capture under way is lost; a complete one stays readable."""
        self._armed = False
        self._end_s = -math.inf

    def _capture_ended(self, call: Call) -> HeldReply:
        end_s = call.t_s + POLL_S

        def reply() -> str:
            done = not self._end_reported and self._end_s <= end_s
            self._end_reported = self._end_reported or done
            return f"{done:d}"

        return HeldReply(reply, lambda: end_s)

    def _wait_for_trigger(self, call: Call) -> HeldReply:
        def reply() -> str:
            reported, self._trigger_reported = self._trigger_reported, True
            return f"{not reported:d}"

        return HeldReply(reply, lambda: call.t_s + POLL_S)

    # channels ----------------------------------------------------------------------------------------------
    def _channels(self) -> list[Command]:
        return [
            Command("CHANnel#:RANGe", self._set_full_scale, lambda c: _number(self._full_scale_v[self._channel(c)])),
        ]

    def _set_full_scale(self, call: Call) -> None:
        channel = self._channel(call)
        call.only(1)
        value = call.number("V", {"MINimum": LEAST_FULL_SCALE_V, "MAXimum": self._most_full_scale_v})
        if not LEAST_FULL_SCALE_V * 0.999 <= value <= self._most_full_scale_v * 1.001:
            raise ScpiFault(-222)
        self._full_scale_v[channel] = value

    # reading -----------------------------------------------------------------------------------------------
    def _reading(self) -> list[Command]:
        return [
            Command("WAVeform:FORMat", self._set_format, lambda _: self._format),
            Command("WAVeform:BYTeorder", self._set_order, lambda _: "LSBF" if self._lsb_first else "MSBF"),
            Command("WAVeform:UNSigned", self._set_unsigned, lambda _: f"{self._unsigned:d}"),
            Command("WAVeform:POINts", query=lambda _: f"{self._record().shape[1]}"),
            *self._preamble_rows(XINCrement=4, XORigin=5, XREFerence=6, YINCrement=7, YORigin=8, YREFerence=9),
            Command("WAVeform:DATA", query=self._data),
        ]

    def _set_format(self, call: Call) -> None:
        self._format = call.choice("WORD", "BYTE", "ASCii")

    def _set_order(self, call: Call) -> None:
        self._lsb_first = call.choice("LSBFirst", "MSBFirst") == "LSBF"

    def _set_unsigned(self, call: Call) -> None:
        self._unsigned = call.boolean()

    def _record(self) -> Codes:
        if self._codes is None:
            raise ScpiFault(-230, "no record")
        return self._codes

    def _volts_a_code(self) -> float:
        return self._record_full_scale_v[self._source] / 65_536.0

    def _preamble(self) -> list[str]:
        points = self._codes.shape[1] if self._codes is not None else self._points
        rate_hz = self._record_rate_hz if self._codes is not None else self._rate_hz
        full_v = (self._record_full_scale_v if self._codes is not None else self._full_scale_v)[self._source]
        bits = 8 if self._format == "BYTE" else 16
        reference = 2 ** (bits - 1) if self._unsigned and self._format != "ASC" else 0
        return [
            f"{FORMATS[self._format]}",
            "0",
            f"{points}",
            "1",
            _number(1.0 / rate_hz),
            _number(0.0),
            "0",
            _number(full_v / 2.0**bits),
            _number(0.0),
            f"{reference}",
        ]

    def _data(self, call: Call) -> HeldReply:
        self._record()
        ready_s = max(call.t_s, self.operations_end_s()) + self._read_s / CHANNELS
        return HeldReply(self._block, lambda: ready_s)

    def _block(self) -> bytes:
        codes = self._record()[self._source].astype(np.int32) << (16 - self._bits)
        if self._format == "ASC":
            return ",".join(_number(code * self._volts_a_code()) for code in codes).encode()
        if self._format == "BYTE":
            codes = (codes >> 8) + (128 if self._unsigned else 0)
            raw = codes.astype(np.uint8 if self._unsigned else np.int8).tobytes()
        else:
            codes = codes + (32_768 if self._unsigned else 0)
            kind = ("<" if self._lsb_first else ">") + ("u2" if self._unsigned else "i2")
            raw = codes.astype(np.dtype(kind)).tobytes()
        return _definite_block(raw)


def _definite_block(raw: bytes) -> bytes:
    length = str(len(raw))
    return f"#{len(length)}{length}".encode() + raw


def _number(value: float) -> str:
    return f"{value:+.10E}"
