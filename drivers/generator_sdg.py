"""Sine generators of the SDG class: replies carry their header and glue a unit to every number.

The load setting comes first (HZ: high impedance), then the level in volts rms, and everything is read back. There is
no error queue: a setting is believed only when it reads back.
Source: Siglent SDG Series Programming Guide PG02-E04B: BSWV (basic wave), OUTP, BTWV, MDWV, SWWV, *IDN?; replies such
as "C1:BSWV WVTP,SINE,FRQ,7000HZ,PERI,0.000142857S,AMP,4V,AMPVRMS,1.414Vrms,OFST,0V,..." and "C1:OUTP ON,LOAD,HZ,...".
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import ClassVar

from drivers import scpi
from drivers.generator_base import SineGenerator
from drivers.link.base import Link
from rig.errors import BadReply


class GeneratorSdg(SineGenerator):
    """channel: 1 or 2."""

    models: ClassVar[str] = r"SDG\d{3,4}\S*"

    def __init__(self, name: str, link: str | Link, *, channel: int = 1) -> None:
        super().__init__(name, link)
        self._session.has_status = False
        self._session.gap_s = 0.01
        self._c = f"C{channel}:"

    def _output_header(self) -> str:
        return f"{self._c}OUTP"

    def _send_output(self, on: bool) -> None:
        self._session.write(f"{self._c}OUTP {'ON' if on else 'OFF'}")

    def _read_output(self) -> bool:
        with self._session.parsing(f"{self._c}OUTP?"):
            return scpi.parse_boolean(self._fields("OUTP")["STATE"])

    def _send_sine(self, frequency_hz: float, level_v_rms: float) -> None:
        for word in ("MDWV", "SWWV", "BTWV"):
            self._session.write(f"{self._c}{word} STATE,OFF")
        self._session.write(f"{self._c}BSWV WVTP,SINE")
        self._session.write(f"{self._c}OUTP LOAD,HZ")
        for key, value in (("FRQ", frequency_hz), ("AMPVRMS", level_v_rms), ("OFST", 0.0)):
            self._session.write(f"{self._c}BSWV {key},{scpi.number(value)}")

    def _set_level(self, level_v_rms: float) -> None:
        self._set_one("AMPVRMS", "VRMS", level_v_rms)

    def _set_frequency(self, frequency_hz: float) -> None:
        self._set_one("FRQ", "HZ", frequency_hz)

    def _set_one(self, key: str, unit: str, value: float) -> None:
        with self._session.lock:
            self._session.write(f"{self._c}BSWV {key},{scpi.number(value)}")
            self._same(key, unit, value, self._fields("BSWV"))

    def _read_back(self, frequency_hz: float, level_v_rms: float) -> None:
        wave, output = self._fields("BSWV"), self._fields("OUTP")
        if wave.get("WVTP", "") != "SINE":
            raise self._differs("BSWV WVTP", "SINE", wave.get("WVTP", "nothing"))
        if output.get("LOAD", "") != "HZ":
            raise self._differs("OUTP LOAD", "HZ", output.get("LOAD", "nothing"))
        self._same("FRQ", "HZ", frequency_hz, wave)
        self._same("AMPVRMS", "VRMS", level_v_rms, wave)
        if "AMP" in wave:  # volts peak to peak: two figures of one level must agree
            self._same("AMP", "V", level_v_rms * math.sqrt(8.0), wave, rel=5e-3)

    def _same(self, key: str, unit: str, wanted: float, fields: Mapping[str, str], rel: float = 1e-3) -> None:
        with self._session.parsing(f"{self._c}BSWV?"):
            got = scpi.parse_quantity(fields.get(key, ""), unit)
        if not scpi.same(wanted, got, rel=rel):
            raise self._differs(f"BSWV {key}", f"{wanted:g}", f"{got:g}")

    def _fields(self, word: str) -> dict[str, str]:
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
