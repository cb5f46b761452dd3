"""Sine generators of the 335xx, 336xx, 33220A and DG kind.

Levels are rms volts at the terminal into an open circuit: the load setting only rescales what is displayed
(50 ohm source), so it is set to INF before the unit and the unit before the level, and everything is read back.
It must never know an amplifier, a ceiling or a coil; what is really there has to be measured.
Source: Keysight 33500B/33600A Series Operating and Service Guide, SCPI reference (OUTPut:LOAD, VOLTage:UNIT, VOLTage,
BURSt:STATe, FUNCtion), OUTP:LOAD? giving 9.9E37 †; Agilent 33220A User's Guide ch. 4 (no SOURce node, one channel);
Rigol DG800 and DG1000Z Programming Guides (:OUTPut:LOAD, :SOURce:VOLTage:UNIT keeps the unit last used at the panel).
"""

from __future__ import annotations

import math
import re
import time
from dataclasses import dataclass
from typing import ClassVar

from drivers import scpi
from drivers.link.base import Link
from drivers.link.device import ScpiDevice
from rig.errors import BenchError, InstrumentRefused, UsageError


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceRow:
    """One family: its models, and how a channel (`{n}`) stands in its headers. gap_s: least pause between messages."""

    models: str
    source: str = "SOUR{n}:"
    output: str = "OUTP{n}"
    gap_s: float = 0.0


ROWS = (
    SourceRow(models=r"33[56]\d\d[AB]?"),
    SourceRow(models=r"332[125]0A", source="", output="OUTP"),
    SourceRow(models=r"DG[89]\d\d\S*|DG[124]\d{3}\S*", gap_s=0.01),
)


class Generator335xx(ScpiDevice):
    """Channel 1 of a one- or two-channel generator; other channels are left alone."""

    models: ClassVar[str] = "|".join(f"(?:{row.models})" for row in ROWS)

    def __init__(self, name: str, link: str | Link, *, channel: int = 1) -> None:
        super().__init__(name, link)
        self._channel = channel
        self._wanted: tuple[float, float] | None = None
        self._on = False
        self._take_row(ROWS[0])

    def _take_row(self, row: SourceRow) -> None:
        self._source = row.source.format(n=self._channel)
        self._output = row.output.format(n=self._channel)
        self._session.gap_s = row.gap_s

    def open(self) -> None:
        """Opens, identifies, and chooses the family's words; energises nothing."""
        self._session.gap_s = max(row.gap_s for row in ROWS)
        super().open()
        model = self.identity().model
        self._wanted, self._on = None, False
        self._take_row(next(row for row in ROWS if re.fullmatch(row.models, model, re.IGNORECASE)))

    def _set_up_again(self) -> None:
        """After a lost link: it must stand as it was left. One that does not is switched off, and that is said."""
        if self._wanted is None:
            return
        try:
            self._read_back(*self._wanted)
            if self._on and not self.output_is_on():
                raise self._not_kept(self._output, "ON", "OFF")
        except InstrumentRefused as fault:
            self._wanted, self._on = None, False
            self._off()
            raise InstrumentRefused(
                "it has lost its settings with the link and is off now: " + fault.message,
                instrument=self._name,
                exchange=self._output,
                next_action="Prepare the excitation again and repeat the step.",
            ) from fault

    def prepare_sine(self, *, frequency_hz: float, level_v_rms: float) -> None:
        """A continuous sine, output off. InstrumentRefused when it does not take or does not keep a setting."""
        positive(frequency_hz=frequency_hz, level_v_rms=level_v_rms)
        source, session = self._source, self._session
        with session.lock:
            self.output(False)
            session.set(f"{source}BURS:STAT OFF", f"{source}FUNC SIN")
            session.set(f"{self._output}:LOAD INF", f"{source}VOLT:UNIT VRMS", f"{source}VOLT:OFFS 0")
            session.set(f"{source}FREQ {scpi.number(frequency_hz)}", f"{source}VOLT {scpi.number(level_v_rms)}")
            self._read_back(frequency_hz, level_v_rms)
            self._wanted = (frequency_hz, level_v_rms)

    def level_v_rms(self, level_v_rms: float) -> None:
        """Another level, whether on or off; read back."""
        positive(level_v_rms=level_v_rms)
        self._again(lambda: self._set_number(f"{self._source}VOLT", level_v_rms))
        if self._wanted is not None:
            self._wanted = (self._wanted[0], level_v_rms)

    def frequency_hz(self, frequency_hz: float) -> None:
        """Another frequency, whether on or off; read back."""
        positive(frequency_hz=frequency_hz)
        self._again(lambda: self._set_number(f"{self._source}FREQ", frequency_hz))
        if self._wanted is not None:
            self._wanted = (frequency_hz, self._wanted[1])

    def output(self, on: bool) -> None:
        """Switches the output and reads it back; InstrumentRefused when it did not follow.

        Before it is switched on, load, unit, frequency and level are read back: somebody may have turned a knob.
        """
        with self._session.lock:
            if on and self._wanted is not None:
                self._again(lambda: self._read_back(*(self._wanted or (0.0, 0.0))))
            self._on = False
            self._session.set(f"{self._output} {'ON' if on else 'OFF'}")
            if self.output_is_on() != on:
                raise self._not_kept(self._output, "ON" if on else "OFF", "OFF" if on else "ON")
            self._on = on

    def output_is_on(self) -> bool:
        """What the generator says about its output."""
        return self._again(self._said_on)

    def _said_on(self) -> bool:
        query = f"{self._output}?"
        with self._session.parsing(query):
            return scpi.parse_boolean(self._session.query(query), of=query)

    def safe_state(self) -> None:
        """Output off, verified; a second try on a new connection. Nothing to do when it was not opened."""
        with self._for_safety() as is_open:
            self._wanted, self._on = None, False
            if not is_open:
                return
            start_s = time.monotonic()
            try:
                self._off()
            except BenchError:
                if time.monotonic() - start_s > 1.0:
                    raise
                self._session.reopen()
                self._off()

    def _off(self) -> None:
        """Says off at once, even on a session that has to be synchronised first, then asks."""
        self._link.write(f"{self._output} OFF\n".encode("ascii"))
        query = f"{self._output}?"
        with self._session.parsing(query):
            still_on = scpi.parse_boolean(self._session.query(query, explain=False), of=query)
        if still_on:
            raise self._not_kept(self._output, "OFF", "ON")

    def _read_back(self, frequency_hz: float, level_v_rms: float) -> None:
        source, output = self._source, self._output
        queries = [f"{source}FUNC?", f"{output}:LOAD?", f"{source}VOLT:UNIT?", f"{source}FREQ?", f"{source}VOLT?"]
        shape, load, unit, frequency, level = self._session.ask(*queries)
        if shape.strip().upper() not in ("SIN", "SINUSOID"):
            raise self._not_kept("FUNC", "SIN", shape)
        with self._session.parsing(f"{output}:LOAD?"):
            infinite = scpi.parse_reading(load) is None
            numbers = [scpi.parse_number(reply) for reply in (frequency, level)]
        if not infinite:
            raise self._not_kept("OUTP:LOAD", "INF", load)
        if unit.strip().upper() != "VRMS":
            raise self._not_kept("VOLT:UNIT", "VRMS", unit)
        for key, wanted, got in zip(("FREQ", "VOLT"), (frequency_hz, level_v_rms), numbers, strict=True):
            if not scpi.same(wanted, got, rel=1e-4):
                raise self._not_kept(key, f"{wanted:g}", f"{got:g}")

    def _set_number(self, header: str, value: float) -> None:
        with self._session.lock:
            self._session.set(f"{header} {scpi.number(value)}")
            got = self._session.number(f"{header}?")
            if not scpi.same(value, got, rel=1e-4):
                raise self._not_kept(header, f"{value:g}", f"{got:g}")

    def _not_kept(self, header: str, wanted: str, got: str) -> InstrumentRefused:
        return InstrumentRefused(
            f"was set to {wanted} and reads back {got}",
            instrument=self._name,
            exchange=header,
            next_action="Switch the generator off by hand and check who else controls it.",
        )


def positive(**values: float) -> None:
    """UsageError when a value is not a finite number above zero."""
    for key, value in values.items():
        if not (math.isfinite(value) and value > 0):
            raise UsageError(f"{key} = {value} is not a positive number.", next_action="Give a level above zero.")
