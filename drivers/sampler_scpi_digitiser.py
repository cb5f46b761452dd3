"""Simultaneous 16-bit sampling over the :WAVeform dialogue of oscilloscopes and digitisers.

Configure once; then SING arms, TRIG:FORC starts, *OPC? waits and four blocks are read. The preamble is read once a
configuration; ranges, rate and error queue are asked for before each record, so that a knob turned by somebody else
scales nothing. Each block and preamble has its channel's name in front, since an adapter may say a reply twice, late.
Volts = (code - yreference) * yincrement + yorigin; codes of fewer than 16 bits are left-justified, and the upper rail
is 32768 less one step of theirs.
Source: Keysight InfiniiVision Programmer's Guide, ":WAVeform Commands" (data conversion, PREamble fields, BYTeorder),
":ACQuire", ":CHANnel<n>:RANGe" (full scale), ":SINGle", IEEE 488.2 arbitrary blocks (a block ends a message of
several answers). ACQ:SRAT and ACQ:POIN settable and TRIGger:FORCe: Infiniium Programmer's Guide (†).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

import numpy as np

from drivers import scpi
from drivers.link.base import Link
from drivers.roles import SamplerAbilities
from drivers.sampler_base import ScpiSampler
from rig.errors import BadReply, BenchError, InstrumentRefused
from rig.signal.waveform import Waveform

BITS = 16
RAIL_LOW, RAIL_HIGH = -32768, 32767
ABILITIES = SamplerAbilities(
    simultaneous=True,
    channels=4,
    bits=BITS,
    max_rate_hz=250_000.0,
    max_samples=1_000_000,
    ranges_v=(0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0),
    skew_s=(0.0, 0.0, 0.0, 0.0),
)


class SamplerDigitiser(ScpiSampler):
    """Channels CHAN1 to CHAN4 in the order of `channels`; ranges are half of full scale, volts."""

    models: ClassVar[str] = r"\S+"
    can: SamplerAbilities = ABILITIES
    force: ClassVar[str] = ":TRIG:FORC"

    def __init__(self, name: str, link: str | Link) -> None:
        super().__init__(name, link)
        self._scale: tuple[np.ndarray, np.ndarray] | None = None
        self._kept: list[str] = []
        self._asked: tuple[tuple[float, ...], float] = ((), 0.0)

    def configure(
        self, *, ranges_v: Sequence[float], sample_rate_hz: float, samples: int, channels: Sequence[str]
    ) -> float:
        """Sets and reads back everything; returns the sample rate in use, Hz, which may differ from the one asked."""
        ABILITIES.check_request(self._name, ranges_v=ranges_v, samples=samples, channels=channels)
        session = self._session
        with session.lock:
            self._channels, self._scale, self._captured = (), None, False
            session.write("*CLS")
            for n, range_v in enumerate(ranges_v, 1):
                session.write(f":CHAN{n}:DISP ON;:CHAN{n}:RANG {scpi.number(2.0 * range_v)};:CHAN{n}:OFFS 0")
            session.write(f":ACQ:SRAT {scpi.number(sample_rate_hz)};:ACQ:POIN {samples}")
            session.write(":WAV:FORM WORD;:WAV:BYT LSBF;:WAV:UNS OFF")
            session.check(":CHAN, :ACQ, :WAV")
            self._read_back(ranges_v, sample_rate_hz, samples)
            self._channels, self._samples = tuple(channels), samples
            self._asked = (tuple(ranges_v), sample_rate_hz)
            return self._rate_hz

    def _set_up_again(self) -> None:
        """After a lost link: configured as before and read back; a capture that was not fetched is gone."""
        channels = self._channels
        if not channels:
            return
        ranges_v, rate_hz = self._asked
        try:
            self.configure(ranges_v=ranges_v, sample_rate_hz=rate_hz, samples=self._samples, channels=channels)
        except BenchError:
            self._channels, self._kept = channels, []  # to be tried again; until then no record is believed
            raise

    def wait_captured(self) -> None:
        """Returns when all samples are in the sampler; NoReply when they never are."""
        self._require_configured()
        self._again(lambda: self._session.query("*OPC?", self._samples / self._rate_hz * 2.0 + 5.0))
        self._captured = True

    def _fetch_once(self) -> Waveform:
        with self._session.lock:
            self._still()
            if self._scale is None:
                self._scale = self._preambles()
            blocks = [self._record(n) for n in range(1, len(self._channels) + 1)]
        scale_v, offset_v = self._scale
        codes = np.stack(blocks)
        return Waveform(
            codes=codes,
            scale_v=scale_v,
            offset_v=offset_v,
            sample_rate_hz=self._rate_hz,
            channels=self._channels,
            rail_low=RAIL_LOW,
            rail_high=RAIL_HIGH + 1 - code_step(codes),
            simultaneous=True,
        )

    def _still(self) -> None:
        """Refuses a record when ranges or rate are not what was set, when an error stands, or when it was lost."""
        queries = [f"CHAN{n}:RANG?" for n in range(1, len(self._channels) + 1)] + ["ACQ:SRAT?", "ACQ:POIN?"]
        now = self._session.ask(*queries)
        if not self._captured:
            raise BadReply(
                "the capture was lost with the link",
                instrument=self._name,
                exchange=":WAV:DATA?",
                next_action="Take the capture again.",
            )
        if now != self._kept:
            raise InstrumentRefused(
                f"its settings were changed by somebody else ({now} where {self._kept} was set); the record is refused",
                instrument=self._name,
                exchange="CHAN:RANG?",
                next_action="Leave its panel alone, configure it and take the capture again.",
            )
        self._session.check("capture")

    def safe_state(self) -> None:
        """Stops a capture that waits; it drives nothing."""
        with self._for_safety() as is_open:
            if is_open:
                self._session.write(":STOP")
                self._session.query("*OPC?", explain=False)

    def _record(self, n: int) -> np.ndarray:
        message = f":WAV:SOUR CHAN{n};:WAV:SOUR?;:WAV:DATA?"
        data = self._session.block(message, 5.0, expected=2 * self._samples, label=self._source(n))
        return np.frombuffer(data, dtype="<i2").astype(np.int16, copy=False)

    def _preambles(self) -> tuple[np.ndarray, np.ndarray]:
        scales, offsets = [], []
        for n in range(1, len(self._channels) + 1):
            message = f":WAV:SOUR CHAN{n};:WAV:SOUR?;:WAV:PRE?"
            fields, values = self._preamble_of(message, self._source(n))
            with self._session.parsing(message):
                if values[0] != 1 or values[2] != self._samples:
                    raise BadReply(f"preamble {fields} is not of {self._samples} words")
                if not values[4] > 0 or not scpi.same(1.0 / values[4], self._rate_hz, rel=1e-4):
                    raise BadReply(f"preamble's {values[4]:g} s don't fit {self._rate_hz:g} Hz")
            scales.append(values[7])
            offsets.append(values[8] - values[9] * values[7])
        return np.array(scales), np.array(offsets)

    def _read_back(self, ranges_v: Sequence[float], sample_rate_hz: float, samples: int) -> None:
        queries = [f"CHAN{n}:RANG?" for n in range(1, len(ranges_v) + 1)] + ["ACQ:SRAT?", "ACQ:POIN?", "WAV:FORM?"]
        *self._kept, form = self._session.ask(*queries)
        *ranges, rate, points = self._kept
        with self._session.parsing("; ".join(queries)):
            full_v = [scpi.parse_number(reply) for reply in ranges]
            actual_samples, rate_hz = scpi.parse_integer(points), scpi.parse_number(rate)
        for n, (wanted, got) in enumerate(zip(ranges_v, full_v, strict=True), 1):
            if not scpi.same(2.0 * wanted, got, rel=1e-3):
                raise self._differs(f"CHAN{n}:RANG", f"{2.0 * wanted:g}", f"{got:g}")
        if actual_samples != samples:
            raise self._differs("ACQ:POIN", str(samples), points)
        if not form.strip().upper().startswith("WORD"):
            raise self._differs("WAV:FORM", "WORD", form)
        self._rate_hz = rate_hz
        if not 0.5 < self._rate_hz / sample_rate_hz < 2.0:
            raise self._differs("ACQ:SRAT", f"{sample_rate_hz:g}", rate)


def code_step(codes: np.ndarray) -> int:
    """The least step of left-justified codes: 1 for 16 bits, 16 for 12 bits; 1 where all are zero."""
    bits = int(np.bitwise_or.reduce(codes.astype(np.int64), axis=None)) & 0xFFFF
    return bits & -bits or 1
