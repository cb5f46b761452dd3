"""Oscilloscopes of the DS1000Z class as samplers: eight bits, four or two simultaneous channels, memory read in pages.

The sample rate follows from memory depth and time base (depth over twelve divisions), so it is chosen from what the
scope has and read back. The trigger is forced; its place is put at the left edge. A page may be shorter than asked:
the length that the block states is used, until all is there. Volts = (raw - yorigin - yreference) * yincrement. Good
for ratios to a percent or two, for angles after averaging.
Source: Rigol MSO1000Z/DS1000Z Programming Guide: :ACQuire:MDEPth, :ACQuire:SRATe?, :TIMebase:SCALe,
:CHANnel<n>:SCALe, :SINGle, :TFORce, :TRIGger:STATus?, :WAVeform (RAW, BYTE, STARt, STOP, PREamble?). † 10.24
divisions in 256 codes.
"""

from __future__ import annotations

import itertools
import math
import re
import time
from collections.abc import Sequence
from dataclasses import replace
from typing import ClassVar

import numpy as np

from drivers import scpi
from drivers.link.base import Link
from drivers.roles import SamplerAbilities
from drivers.sampler_base import ScpiSampler
from rig.errors import BadReply, InstrumentRefused, NoReply
from rig.signal.waveform import Waveform

DIVISIONS = 12.0
DEPTHS = {4: (3_000, 30_000, 300_000, 3_000_000), 2: (6_000, 60_000, 600_000, 6_000_000, 12_000_000)}
"""Channels on -> memory depths of a channel."""
TWO_CHANNELS = r"(DS|MSO)\d{3}2\S*|DHO\d{2}2\S*"  # the last digit before any letters is the number of channels
TIME_SCALES_S = tuple(m * 10.0**e for e, m in itertools.product(range(-9, 2), (1, 2, 5)))
PAGE_BYTES = 100_000
POLL_S = 0.01
ABILITIES = SamplerAbilities(
    simultaneous=True,
    channels=4,
    bits=8,
    max_rate_hz=250e6,
    max_samples=DEPTHS[4][-1],
    ranges_v=(0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0),
    skew_s=(0.0, 0.0, 0.0, 0.0),
)


class SamplerScopeRigol(ScpiSampler):
    """Channels CHAN1 to CHAN4 in the order of `channels`; ranges are four divisions, volts. probe: attenuation 1."""

    models: ClassVar[str] = r"(DS|MSO)[1-8]\d{3}\S*|DHO\d{3,4}\S*"
    can: SamplerAbilities = ABILITIES
    force: ClassVar[str] = ":TFOR"

    def __init__(self, name: str, link: str | Link) -> None:
        super().__init__(name, link)
        self._session.gap_s = 0.002
        self._window_s = 0.0
        self._ranges_v: tuple[float, ...] = ()

    def open(self) -> None:
        """Opens and identifies; a model of two channels says so in its name."""
        super().open()
        two = re.fullmatch(TWO_CHANNELS, self.identity().model, re.IGNORECASE)
        self.can = replace(ABILITIES, channels=2, max_samples=DEPTHS[2][-1], skew_s=(0.0, 0.0)) if two else ABILITIES

    def configure(
        self, *, ranges_v: Sequence[float], sample_rate_hz: float, samples: int, channels: Sequence[str]
    ) -> float:
        """Sets and reads back everything; returns the sample rate in use, Hz: the nearest that the scope has."""
        self.can.check_request(self._name, ranges_v=ranges_v, samples=samples, channels=channels)
        depth, scale_s = _depth_and_scale(sample_rate_hz, samples, DEPTHS[self.can.channels])
        session = self._session
        with session.lock:
            self._channels, self._captured = (), False
            session.write("*CLS")
            session.write(":RUN")
            for n in range(1, self.can.channels + 1):
                session.write(f":CHAN{n}:DISP ON")
            for n, range_v in enumerate(ranges_v, 1):
                session.write(f":CHAN{n}:PROB 1")
                session.write(f":CHAN{n}:COUP DC")
                session.write(f":CHAN{n}:SCAL {scpi.number(range_v / 4.0)}")
                session.write(f":CHAN{n}:OFFS 0")
            session.write(f":TIM:MAIN:SCAL {scpi.number(scale_s)}")
            session.write(f":TIM:MAIN:OFFS {scpi.number(DIVISIONS / 2.0 * scale_s)}")
            session.write(f":ACQ:MDEP {depth}")
            session.check(":CHAN, :TIM, :ACQ")
            self._read_back(ranges_v, sample_rate_hz)
            self._window_s = depth / self._rate_hz
            self._channels, self._samples, self._ranges_v = tuple(channels), samples, tuple(ranges_v)
            return self._rate_hz

    def wait_captured(self) -> None:
        """Returns when the scope says STOP; NoReply when it never does."""
        self._require_configured()
        end_s = time.monotonic() + 2.0 * self._window_s + 5.0
        reply_s = 3.0 + self._window_s  # a scope that fills a long memory may be deaf meanwhile
        while self._again(lambda: self._session.query(":TRIG:STAT?", reply_s)).strip().upper() != "STOP":
            if time.monotonic() > end_s:
                raise NoReply("the capture does not end", instrument=self._name, exchange=":TRIG:STAT?")
            time.sleep(POLL_S)
        self._captured = True

    def safe_state(self) -> None:
        """Stops a capture that waits; it drives nothing."""
        with self._for_safety() as is_open:
            if is_open:
                self._session.write(":STOP")
                self._session.query("*IDN?", explain=False)

    def _set_up_again(self) -> None:
        """After a lost link the scope may have been off: a capture that was not fetched is gone."""
        self._captured = False
        if self._channels:
            self._read_back(self._ranges_v, self._rate_hz)

    def _fetch_once(self) -> Waveform:
        with self._session.lock:
            if not self._captured:
                raise BadReply(
                    "no capture to read", instrument=self._name, exchange=":WAV:DATA?", next_action="Take it again."
                )
            records, scales, offsets = [], [], []
            for n, range_v in enumerate(self._ranges_v, 1):
                scale_v, offset_v = self._preamble(n, range_v)
                records.append(self._read_memory())
                scales.append(scale_v)
                offsets.append(offset_v)
        return Waveform(
            codes=np.stack(records),
            scale_v=np.array(scales),
            offset_v=np.array(offsets),
            sample_rate_hz=self._rate_hz,
            channels=self._channels,
            rail_low=0,
            rail_high=255,
            simultaneous=True,
        )

    def _preamble(self, n: int, range_v: float) -> tuple[float, float]:
        """(volts a code, volts at code zero) of a channel, whose range must still be the one that was set."""
        self._session.write(f":WAV:SOUR CHAN{n}")
        self._session.write(":WAV:MODE RAW")
        self._session.write(":WAV:FORM BYTE")
        source = self._session.query(":WAV:SOUR?")
        with self._session.parsing(":WAV:SOUR?"):
            if not re.fullmatch(self._source(n), source.strip(), re.IGNORECASE):
                raise BadReply(f"{source!r} where channel {n} was chosen")
        fields, values = self._preamble_of(":WAV:PRE?")
        with self._session.parsing(":WAV:PRE?"):
            if values[0] != 0 or not values[4] > 0 or not scpi.same(1.0 / values[4], self._rate_hz, rel=1e-3):
                raise BadReply(f"preamble {fields} is not of bytes at {self._rate_hz:g} Hz")
        y_increment, y_origin, y_reference = values[7:]
        if not scpi.same(y_increment, range_v / 100.0, rel=0.02) or y_origin != 0.0:
            raise InstrumentRefused(
                f"channel {n} is scaled {y_increment:g} V a code from {y_origin:g}; {range_v / 100.0:g} was set",
                instrument=self._name,
                exchange=":WAV:PRE?",
                next_action="Leave its knobs alone, configure it and take the capture again.",
            )
        return y_increment, -(y_origin + y_reference) * y_increment

    def _read_memory(self) -> np.ndarray:
        """The first samples of the chosen channel's memory, page by page; a page counts for what it holds."""
        data = b""
        while len(data) < self._samples:
            first = len(data) + 1
            last = min(self._samples, len(data) + PAGE_BYTES)
            self._session.write(f":WAV:STAR {first}")
            self._session.write(f":WAV:STOP {last}")
            if self._session.number(":WAV:STAR?") != first:  # a page sent twice would be read as this answer
                raise self._differs(":WAV:STAR", str(first), "another page")
            page = self._session.block(":WAV:DATA?", 5.0)
            if not page or len(page) > last - first + 1:
                self._link.dirty = True
                raise BadReply(
                    f"a page of {len(page)} bytes where {last - first + 1} were asked for",
                    instrument=self._name,
                    exchange=":WAV:DATA?",
                )
            data += page
        return np.frombuffer(data, dtype=np.uint8).astype(np.int16)

    def _read_back(self, ranges_v: Sequence[float], sample_rate_hz: float) -> None:
        for n, range_v in enumerate(ranges_v, 1):
            got = self._session.number(f":CHAN{n}:SCAL?")
            if not scpi.same(range_v / 4.0, got, rel=1e-2):
                raise self._differs(f"CHAN{n}:SCAL", f"{range_v / 4.0:g}", f"{got:g}")
        self._rate_hz = self._session.number(":ACQ:SRAT?")
        if not 0.4 < self._rate_hz / sample_rate_hz < 2.6:
            raise self._differs("ACQ:SRAT", f"about {sample_rate_hz:g}", f"{self._rate_hz:g}")


def _depth_and_scale(rate_hz: float, samples: int, depths: Sequence[int]) -> tuple[int, float]:
    """Memory depth and seconds a division whose rate is nearest to the one asked, with room for the samples."""
    pairs = [(depth, scale_s) for depth in depths if depth >= samples for scale_s in TIME_SCALES_S]
    return min(pairs, key=lambda pair: (round(abs(math.log(pair[0] / DIVISIONS / pair[1] / rate_hz)), 6), pair[0]))
