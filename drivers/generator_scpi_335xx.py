"""Sine generators of the 335xx, 336xx, 33220A and DG kind.

Levels are rms volts at the terminal into an open circuit: the load setting only rescales what is displayed (50 ohm
source), so it is set to INF before the unit and the unit before the level, and everything is read back.
Source: Keysight 33500B/33600A Series Operating and Service Guide, SCPI reference (OUTPut:LOAD, VOLTage:UNIT, VOLTage,
BURSt, SWEep, AM, FM, PM, PWM, FSKey, BPSK, SUM, FREQuency:MODE, FUNCtion), OUTP:LOAD? giving 9.9E37 †; Agilent 33220A
User's Guide ch. 4 (no SOURce node, one channel; no SUM, no FREQ:MODE), 33210A and 33250A User's Guides (which
modulations they have †); Rigol DG800 and DG1000Z Programming Guides (:OUTPut:LOAD, :SOURce:VOLTage:UNIT keeps the unit
last used at the panel, :SOURce:MOD, :SWEep, :BURSt:STATe). The DG1022 without Z has other words: not of this kind.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import ClassVar

from drivers import scpi
from drivers.generator_base import SineGenerator
from drivers.link.base import Link


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceRow:
    """One family: its models, and how a channel (`{n}`) stands in its headers. gap_s: least pause between messages.

    clear: what would make something else of a sine, each with STAT; mode: whether it has FREQ:MODE.
    """

    models: str
    clear: tuple[str, ...] = ("BURS", "SWE", "AM", "FM")
    mode: bool = False
    source: str = "SOUR{n}:"
    output: str = "OUTP{n}"
    gap_s: float = 0.0


ROWS = (
    SourceRow(
        models=r"33[56]\d\d[AB]?",
        clear=("BURS", "SWE", "AM", "FM", "PM", "PWM", "FSK", "BPSK", "SUM"),
        mode=True,
    ),
    SourceRow(models="33220A", source="", output="OUTP", clear=("BURS", "SWE", "AM", "FM", "PM", "PWM", "FSK")),
    SourceRow(models="33210A", source="", output="OUTP", clear=("BURS", "SWE", "AM", "FM", "PWM")),
    SourceRow(models="33250A", source="", output="OUTP", clear=("BURS", "SWE", "AM", "FM", "FSK")),
    SourceRow(models=r"DG[89]\d\d\S*|DG1\d{3}Z\S*|DG[24]\d{3}\S*", clear=("BURS", "SWE", "MOD"), gap_s=0.01),
)


class Generator335xx(SineGenerator):
    """channel: of a one- or two-channel generator."""

    models: ClassVar[str] = "|".join(f"(?:{row.models})" for row in ROWS)
    not_mine: ClassVar[str] = (
        "Correct the link or the driver in the bench file. A DG1022 without Z has other words: write a profile for it."
    )

    def __init__(self, name: str, link: str | Link, *, channel: int = 1) -> None:
        super().__init__(name, link)
        self._channel = channel
        self._take_row(ROWS[0])

    def _take_row(self, row: SourceRow) -> None:
        self._source = row.source.format(n=self._channel)
        self._output = row.output.format(n=self._channel)
        self._row = row
        self._session.gap_s = row.gap_s

    def open(self) -> None:
        """Opens, identifies, and chooses the family's words; energises nothing."""
        self._session.gap_s = max(row.gap_s for row in ROWS)
        super().open()
        model = self.identity().model
        self._take_row(next(row for row in ROWS if re.fullmatch(row.models, model, re.IGNORECASE)))

    def _output_header(self) -> str:
        return self._output

    def _send_output(self, on: bool) -> None:
        self._session.set(f"{self._output} {'ON' if on else 'OFF'}")

    def _read_output(self) -> bool:
        query = f"{self._output}?"
        with self._session.parsing(query):
            return scpi.parse_boolean(self._session.query(query, explain=False))

    def _send_sine(self, frequency_hz: float, level_v_rms: float) -> None:
        source, session = self._source, self._session
        session.set(*(f"{source}{word}:STAT OFF" for word in self._row.clear))
        session.set(*([f"{source}FREQ:MODE CW"] if self._row.mode else []), f"{source}FUNC SIN")
        session.set(f"{self._output}:LOAD INF", f"{source}VOLT:UNIT VRMS", f"{source}VOLT:OFFS 0")
        session.set(f"{source}FREQ {scpi.number(frequency_hz)}", f"{source}VOLT {scpi.number(level_v_rms)}")

    def _set_level(self, level_v_rms: float) -> None:
        self._set_number(f"{self._source}VOLT", level_v_rms)

    def _set_frequency(self, frequency_hz: float) -> None:
        self._set_number(f"{self._source}FREQ", frequency_hz)

    def _read_back(self, frequency_hz: float, level_v_rms: float) -> None:
        source, output = self._source, self._output
        queries = [f"{source}FUNC?", f"{output}:LOAD?", f"{source}VOLT:UNIT?", f"{source}FREQ?", f"{source}VOLT?"]
        shape, load, unit, frequency, level = self._session.ask(*queries)
        if shape.strip().upper() not in ("SIN", "SINUSOID"):
            raise self._differs("FUNC", "SIN", shape)
        with self._session.parsing(f"{output}:LOAD?"):
            infinite = scpi.parse_reading(load) is None
            numbers = [scpi.parse_number(reply) for reply in (frequency, level)]
        if not infinite:
            raise self._differs("OUTP:LOAD", "INF", load)
        if unit.strip().upper() != "VRMS":
            raise self._differs("VOLT:UNIT", "VRMS", unit)
        for key, wanted, got in zip(("FREQ", "VOLT"), (frequency_hz, level_v_rms), numbers, strict=True):
            if not scpi.same(wanted, got, rel=1e-4):
                raise self._differs(key, f"{wanted:g}", f"{got:g}")
        self._nothing_else()

    def _nothing_else(self) -> None:
        """No burst, no sweep and no modulation: InstrumentRefused names the one that is on."""
        source, row = self._source, self._row
        states = [f"{source}{word}:STAT" for word in row.clear]
        for header, reply in zip(states, self._session.ask(*(f"{one}?" for one in states)), strict=True):
            with self._session.parsing(f"{header}?"):
                is_on = scpi.parse_boolean(reply)
            if is_on:
                raise self._differs(header, "OFF", reply)
        if row.mode and (mode := self._session.query(f"{source}FREQ:MODE?").strip().upper()) not in ("CW", "FIX"):
            raise self._differs("FREQ:MODE", "CW", mode)

    def _set_number(self, header: str, value: float) -> None:
        with self._session.lock:
            self._session.set(f"{header} {scpi.number(value)}")
            got = self._session.number(f"{header}?")
            if not scpi.same(value, got, rel=1e-4):
                raise self._differs(header, f"{value:g}", f"{got:g}")
