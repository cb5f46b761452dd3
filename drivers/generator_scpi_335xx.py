"""Sine generators of the 335xx, 336xx and 33220A kind.

Levels are rms volts at the terminal into an open circuit: the load setting only rescales what is displayed
(50 ohm source), so it is set to INF before the unit and the unit before the level, and everything is read back.
It must never know an amplifier, a ceiling or a coil; what is really there has to be measured.
Source: Keysight 33500B/33600A Series Operating and Service Guide, SCPI reference (OUTPut:LOAD, VOLTage:UNIT, VOLTage,
BURSt:STATe, FUNCtion); the refusal of levels below about 1 mVpp and OUTP:LOAD? giving 9.9E37 are from memory (†).
"""

from __future__ import annotations

import math
import time
from typing import ClassVar

from drivers import scpi
from drivers.link.base import Link
from drivers.link.device import ScpiDevice
from rig.errors import BadReply, BenchError, InstrumentRefused, UsageError


class Generator335xx(ScpiDevice):
    """Channel 1 of a one- or two-channel generator; other channels are left alone."""

    models: ClassVar[str] = r"33[56]\d\d[AB]?|332[125]0A"

    def __init__(self, name: str, link: str | Link, *, channel: int = 1) -> None:
        super().__init__(name, link)
        self._source = f"SOUR{channel}:"
        self._output = f"OUTP{channel}"

    def prepare_sine(self, *, frequency_hz: float, level_v_rms: float) -> None:
        """A continuous sine, output off. InstrumentRefused when it does not take or does not keep a setting."""
        _positive(frequency_hz=frequency_hz, level_v_rms=level_v_rms)
        source, session = self._source, self._session
        with session.lock:
            self.output(False)
            session.set(f"{source}BURS:STAT OFF", f"{source}FUNC SIN")
            session.set(f"{self._output}:LOAD INF", f"{source}VOLT:UNIT VRMS", f"{source}VOLT:OFFS 0")
            session.set(f"{source}FREQ {scpi.number(frequency_hz)}", f"{source}VOLT {scpi.number(level_v_rms)}")
            self._read_back(frequency_hz, level_v_rms)

    def level_v_rms(self, level_v_rms: float) -> None:
        """Another level, whether on or off; read back."""
        _positive(level_v_rms=level_v_rms)
        self._set_number(f"{self._source}VOLT", level_v_rms)

    def frequency_hz(self, frequency_hz: float) -> None:
        """Another frequency, whether on or off; read back."""
        _positive(frequency_hz=frequency_hz)
        self._set_number(f"{self._source}FREQ", frequency_hz)

    def output(self, on: bool) -> None:
        """Switches the output and reads it back; InstrumentRefused when it did not follow."""
        with self._session.lock:
            self._session.set(f"{self._output} {'ON' if on else 'OFF'}")
            if self.output_is_on() != on:
                raise self._not_kept(self._output, "ON" if on else "OFF", "OFF" if on else "ON")

    def output_is_on(self) -> bool:
        """What the generator says about its output."""
        query = f"{self._output}?"
        try:
            return scpi.parse_boolean(self._session.query(query), of=query)
        except BadReply:
            self._link.dirty = True
            raise

    def safe_state(self) -> None:
        """Output off, verified; a second try on a new connection. Nothing to do when it was not opened."""
        with self._for_safety() as is_open:
            if not is_open:
                return
            start_s = time.monotonic()
            try:
                self._off()
            except BenchError:
                if time.monotonic() - start_s > 1.0:
                    raise
                self._link.open()
                self._off()

    def _off(self) -> None:
        """Says off at once, even on a session that has to be synchronised first, then asks."""
        self._link.write(f"{self._output} OFF\n".encode("ascii"))
        query = f"{self._output}?"
        if scpi.parse_boolean(self._session.query(query, explain=False), of=query):
            raise self._not_kept(self._output, "OFF", "ON")

    def _read_back(self, frequency_hz: float, level_v_rms: float) -> None:
        source, output = self._source, self._output
        queries = [f"{source}FUNC?", f"{output}:LOAD?", f"{source}VOLT:UNIT?", f"{source}FREQ?", f"{source}VOLT?"]
        shape, load, unit, frequency, level = self._session.ask(*queries)
        if shape.strip().upper() not in ("SIN", "SINUSOID"):
            raise self._not_kept("FUNC", "SIN", shape)
        if scpi.parse_reading(load) is not None:
            raise self._not_kept("OUTP:LOAD", "INF", load)
        if unit.strip().upper() != "VRMS":
            raise self._not_kept("VOLT:UNIT", "VRMS", unit)
        for key, wanted, got in (("FREQ", frequency_hz, frequency), ("VOLT", level_v_rms, level)):
            if not scpi.same(wanted, scpi.parse_number(got), rel=1e-4):
                raise self._not_kept(key, f"{wanted:g}", got)

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


def _positive(**values: float) -> None:
    for key, value in values.items():
        if not (math.isfinite(value) and value > 0):
            raise UsageError(f"{key} = {value} is not a positive number.", next_action="Give a level above zero.")
