"""Bench multimeters of the 344xx kind: two- and four-wire ohms, DC volts, AC volts.

Order of a configuration: CONF, then NPLC and bandwidth, then offset compensation (CONF turns it off), read back all,
error queue. Equal settings are not sent again: a repeated reading is one READ?. Deadlines follow from integration
time, offset compensation and autozero. It must never know what hangs at its terminals.
Source: Keysight Truevolt Series Operating and Service Guide, SCPI reference (CONFigure, [SENSe:]FRESistance:NPLC,
:OCOMpensated, VOLTage:AC:BANDwidth, READ?, overload 9.9E37). † OCOM is missing on the 34460A/61A; † autozero doubles.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from drivers import scpi
from drivers.link.base import Link
from drivers.link.device import ScpiDevice
from drivers.roles import MeterReading
from rig.errors import BadReply, BenchError, InstrumentRefused, UsageError

BANDWIDTHS_HZ = (3.0, 20.0, 200.0)
AC_SETTLING_S = {3.0: 10.0, 20.0: 2.5, 200.0: 1.0}


@dataclass(frozen=True, slots=True)
class _Setting:
    """A configuration that two readings may share. range_: None leaves the choice to the meter."""

    function: str  # FRES, RES, VOLT:DC, VOLT:AC
    unit: str
    range_: float | None
    nplc: float = 0.0
    offset_compensation: bool = False
    bandwidth_hz: float = 0.0


class Multimeter344xx(ScpiDevice):
    """line_hz: mains frequency, sets how long a power-line cycle lasts."""

    models: ClassVar[str] = r"344[0-9]{2}A|3446[015]A|34470A"

    def __init__(self, name: str, link: str | Link, *, line_hz: float = 50.0) -> None:
        super().__init__(name, link)
        self._line_hz = line_hz
        self._setting: _Setting | None = None
        self._range_upper = 0.0

    def open(self) -> None:
        """Opens, takes a serial instrument into remote, identifies."""
        self._setting = None
        self._session.open()
        if "ASRL" in self._link.url.upper() or self._link.url.startswith("serial"):
            try:
                self._session.write("SYST:REM")
            except BenchError:
                self.close()
                raise
        super().open()

    def resistance_ohm(
        self, *, four_wire: bool, range_ohm: float | None, nplc: float, offset_compensation: bool = False
    ) -> MeterReading:
        """Ohms at the terminals; `value` is None over range. InstrumentRefused for a range or NPLC it has not."""
        function = "FRES" if four_wire else "RES"
        return self._take(_Setting(function, "ohm", range_ohm, nplc, offset_compensation))

    def dc_volts(self, *, range_v: float | None, nplc: float) -> MeterReading:
        """DC volts at the terminals."""
        return self._take(_Setting("VOLT:DC", "V", range_v, nplc))

    def ac_volts_rms(self, *, range_v: float | None, bandwidth_hz: float = 20.0) -> MeterReading:
        """True rms volts, AC coupled. bandwidth_hz: the lowest frequency of the signal, 3 Hz or more."""
        fitting = [band for band in BANDWIDTHS_HZ if band <= bandwidth_hz]
        if not fitting:
            raise UsageError(f"{self._name}: no AC bandwidth below {BANDWIDTHS_HZ[0]:g} Hz.", next_action="Ask for 3.")
        return self._take(_Setting("VOLT:AC", "V", range_v, bandwidth_hz=max(fitting)))

    def safe_state(self) -> None:
        """Stops a reading in progress; the next one is configured anew."""
        with self._for_safety() as is_open:
            self._setting = None
            if is_open:
                self._session.write("ABOR")
                self._session.query("*OPC?", explain=False)

    def _take(self, wanted: _Setting) -> MeterReading:
        with self._session.lock:
            try:
                if wanted != self._setting:
                    self._configure(wanted)
                value = self._session.reading("READ?", self._deadline_s(wanted))
                if wanted.range_ is None:
                    self._range_upper = self._session.number(f"{wanted.function}:RANG?")
            except BenchError:
                self._setting = None
                raise
            return MeterReading(value=value, unit=wanted.unit, range_upper=self._range_upper, overload=value is None)

    def _configure(self, wanted: _Setting) -> None:
        session, function = self._session, wanted.function
        self._setting = None
        session.write("*CLS")
        range_ = "AUTO" if wanted.range_ is None else scpi.number(wanted.range_)
        session.write(f"CONF:{function} {range_}")
        if function == "VOLT:AC":
            session.write(f"VOLT:AC:BAND {wanted.bandwidth_hz:g}")
            asked = [f"{function}:RANG?", "VOLT:AC:BAND?"]
        else:
            session.write(f"{function}:NPLC {scpi.number(wanted.nplc)}")
            asked = [f"{function}:RANG?", f"{function}:NPLC?"]
        if wanted.offset_compensation:
            session.write(f"{function}:OCOM ON")
            asked.append(f"{function}:OCOM?")
        session.check(f"CONF:{function} {range_}")
        self._read_back(wanted, session.ask(*asked))
        self._setting = wanted

    def _read_back(self, wanted: _Setting, got: list[str]) -> None:
        try:
            upper, detail = scpi.parse_number(got[0]), scpi.parse_number(got[1])
            compensated = len(got) > 2 and scpi.parse_boolean(got[2])
        except BadReply:
            self._link.dirty = True
            raise
        ac = wanted.function == "VOLT:AC"
        for key, asked, kept in (
            ("RANG", wanted.range_, upper),
            ("BAND" if ac else "NPLC", wanted.bandwidth_hz if ac else wanted.nplc, detail),
            ("OCOM", float(wanted.offset_compensation), float(compensated)),
        ):
            if asked is not None and not scpi.same(asked, kept):
                raise InstrumentRefused(
                    f"was set to {asked:g} and reads back {kept:g}",
                    instrument=self._name,
                    exchange=f"{wanted.function}:{key}",
                    next_action="Ask for a value that this model has (see its manual).",
                )
        self._range_upper = upper

    def _deadline_s(self, setting: _Setting) -> float:
        if setting.function == "VOLT:AC":
            return 2.0 * AC_SETTLING_S[setting.bandwidth_hz] + 3.0
        once_s = setting.nplc / self._line_hz * 2.0 * (2.0 if setting.offset_compensation else 1.0)
        return 2.0 * once_s * (4.0 if setting.range_ is None else 1.0) + 3.0
