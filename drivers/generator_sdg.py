"""Sine generators of the SDG class: replies carry their header and glue a unit to every number.

The load setting comes first (HZ: high impedance), then the level in volts rms, and everything is read back. There is
no error queue: a setting is believed only when it reads back. It must never know an amplifier, a ceiling or a coil.
Source: Siglent SDG Series Programming Guide PG02-E04B: BSWV (basic wave), OUTP, BTWV, MDWV, SWWV, *IDN?; replies such
as "C1:BSWV WVTP,SINE,FRQ,7000HZ,PERI,0.000142857S,AMP,4V,AMPVRMS,1.414Vrms,OFST,0V,..." and "C1:OUTP ON,LOAD,HZ,...".
"""

from __future__ import annotations

import time
from collections.abc import Mapping
from typing import ClassVar

from drivers import scpi
from drivers.generator_scpi_335xx import positive
from drivers.link.base import Link
from drivers.link.device import ScpiDevice
from rig.errors import BadReply, BenchError, InstrumentRefused


class GeneratorSdg(ScpiDevice):
    """One channel; the other is left alone."""

    models: ClassVar[str] = r"SDG\d{3,4}\S*"

    def __init__(self, name: str, link: str | Link, *, channel: int = 1) -> None:
        super().__init__(name, link)
        self._session.has_status = False
        self._session.gap_s = 0.01
        self._c = f"C{channel}:"
        self._wanted: tuple[float, float] | None = None
        self._on = False

    def prepare_sine(self, *, frequency_hz: float, level_v_rms: float) -> None:
        """A continuous sine, output off. InstrumentRefused when it does not keep a setting."""
        positive(frequency_hz=frequency_hz, level_v_rms=level_v_rms)
        with self._session.lock:
            self.output(False)
            for word in ("MDWV", "SWWV", "BTWV"):
                self._session.write(f"{self._c}{word} STATE,OFF")
            self._session.write(f"{self._c}BSWV WVTP,SINE")
            self._session.write(f"{self._c}OUTP LOAD,HZ")
            for key, value in (("FRQ", frequency_hz), ("AMPVRMS", level_v_rms), ("OFST", 0.0)):
                self._session.write(f"{self._c}BSWV {key},{scpi.number(value)}")
            self._read_back(frequency_hz, level_v_rms)
            self._wanted = (frequency_hz, level_v_rms)

    def level_v_rms(self, level_v_rms: float) -> None:
        """Another level, whether on or off; read back."""
        positive(level_v_rms=level_v_rms)
        self._again(lambda: self._set_one("AMPVRMS", "VRMS", level_v_rms))
        if self._wanted is not None:
            self._wanted = (self._wanted[0], level_v_rms)

    def frequency_hz(self, frequency_hz: float) -> None:
        """Another frequency, whether on or off; read back."""
        positive(frequency_hz=frequency_hz)
        self._again(lambda: self._set_one("FRQ", "HZ", frequency_hz))
        if self._wanted is not None:
            self._wanted = (frequency_hz, self._wanted[1])

    def output(self, on: bool) -> None:
        """Switches the output and reads it back; before it is switched on, all settings are read back too."""
        with self._session.lock:
            if on and self._wanted is not None:
                self._again(lambda: self._read_back(*(self._wanted or (0.0, 0.0))))
            self._on = False
            self._session.write(f"{self._c}OUTP {'ON' if on else 'OFF'}")
            if self.output_is_on() != on:
                raise self._not_kept("OUTP", "ON" if on else "OFF", "OFF" if on else "ON")
            self._on = on

    def output_is_on(self) -> bool:
        """What the generator says about its output."""
        return self._again(self._said_on)

    def _said_on(self) -> bool:
        with self._session.parsing(f"{self._c}OUTP?"):
            return scpi.parse_boolean(self._asked("OUTP")["STATE"])

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
        self._link.write(f"{self._c}OUTP OFF\n".encode("ascii"))
        if self._said_on():
            raise self._not_kept("OUTP", "OFF", "ON")

    def _set_up_again(self) -> None:
        """After a lost link: it must stand as it was left. One that does not is switched off, and that is said."""
        if self._wanted is None:
            return
        try:
            self._read_back(*self._wanted)
            if self._on and not self._said_on():
                raise self._not_kept("OUTP", "ON", "OFF")
        except InstrumentRefused as fault:
            self._wanted, self._on = None, False
            self._off()
            raise InstrumentRefused(
                "it has lost its settings with the link and is off now: " + fault.message,
                instrument=self._name,
                exchange="BSWV?",
                next_action="Prepare the excitation again and repeat the step.",
            ) from fault

    def _set_one(self, key: str, unit: str, value: float) -> None:
        with self._session.lock:
            self._session.write(f"{self._c}BSWV {key},{scpi.number(value)}")
            self._same(key, unit, value, self._asked("BSWV"))

    def _read_back(self, frequency_hz: float, level_v_rms: float) -> None:
        wave, output = self._asked("BSWV"), self._asked("OUTP")
        if wave.get("WVTP", "") != "SINE":
            raise self._not_kept("BSWV WVTP", "SINE", wave.get("WVTP", "nothing"))
        if output.get("LOAD", "") != "HZ":
            raise self._not_kept("OUTP LOAD", "HZ", output.get("LOAD", "nothing"))
        self._same("FRQ", "HZ", frequency_hz, wave)
        self._same("AMPVRMS", "VRMS", level_v_rms, wave)

    def _same(self, key: str, unit: str, wanted: float, fields: Mapping[str, str]) -> None:
        with self._session.parsing(f"{self._c}BSWV?"):
            got = scpi.parse_quantity(fields.get(key, ""), unit)
        if not scpi.same(wanted, got, rel=1e-3):
            raise self._not_kept(f"BSWV {key}", f"{wanted:g}", f"{got:g}")

    def _asked(self, word: str) -> dict[str, str]:
        """The fields of a reply by name; the first of OUTP's is called STATE. BadReply when it is not that word's."""
        query = f"{self._c}{word}?"
        reply = self._session.query(query)
        header, _, rest = reply.strip().partition(" ")
        fields = [field.strip() for field in rest.split(",")]
        if word == "OUTP":
            fields = ["STATE", *fields]
        if header.upper() != f"{self._c}{word}" or len(fields) % 2 or not all(fields[::2]):
            self._link.dirty = True
            raise BadReply(f"{reply!r} is no answer", instrument=self._name, exchange=query)
        return dict(zip((key.upper() for key in fields[::2]), fields[1::2], strict=True))

    def _not_kept(self, header: str, wanted: str, got: str) -> InstrumentRefused:
        return InstrumentRefused(
            f"was set to {wanted} and reads back {got}",
            instrument=self._name,
            exchange=header,
            next_action="Switch the generator off by hand and check who else controls it.",
        )
