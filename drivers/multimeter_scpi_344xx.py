"""Bench multimeters that speak the 34401's words: two- and four-wire ohms, DC volts, AC volts.

Order of a configuration: CONF, then integration time and bandwidth, then offset compensation (CONF turns it off),
read back all, error queue. Equal settings are not sent again, but after each reading function, range and integration
time are asked for: somebody at the panel changes no reading unseen. Deadlines follow from integration time, offset
compensation and autozero.
Source: Keysight Truevolt Series Operating and Service Guide, SCPI reference (CONFigure, [SENSe:]FRESistance:NPLC,
:OCOMpensated (34465A and 34470A only), VOLTage:AC:BANDwidth, READ?, FUNCtion?, overload 9.9E37); HP 34401A User's
Guide ed. 5, ch. 4 (SYSTem:REMote on RS-232, DETector:BANDwidth, no ABORt, no offset compensation); Agilent 34410A/11A
Programmer's Reference; Agilent 34405A User's Guide ch. 4 †; Siglent SDM3055 and SDM3065X remote manuals (34401 words,
NPLC in steps); Rigol DM3058/DM3068 Programming Guide ("CMDSET AGILENT"). Figures with † are from memory.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import ClassVar

from drivers import scpi
from drivers.link.base import Link
from drivers.link.device import ScpiDevice
from drivers.roles import MeterReading, MultimeterAbilities
from rig.errors import BadReply, BenchError, InstrumentRefused, UsageError

BANDWIDTHS_HZ = (3.0, 20.0, 200.0)
AC_SETTLING_S = {3.0: 10.0, 20.0: 2.5, 30.0: 2.5, 200.0: 1.0, 300.0: 1.0}


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterRow:
    """One family. Only what differs from the Truevolt's words is written in a row.

    models: pattern of the whole model field. first: said once after opening. bandwidth: header of the AC filter, ""
    for none. integration: header node of the integration time, "" for none. abort: stops a reading. gap_s: the least
    pause between two messages. reply: what a reading looks like to the letter, demanded on serial wires, which lose
    bytes ("": anything that is one number).
    """

    models: str
    four_wire: bool = True
    offset_compensation: bool = False
    offset_upper_ohm: float = math.inf
    integration: str = "NPLC"
    bandwidth: str = "VOLT:AC:BAND"
    first: tuple[str, ...] = ()
    abort: str = "ABOR"
    gap_s: float = 0.0
    overload: scpi.OverloadProfile = scpi.TRUEVOLT
    reply: str = ""


NR3_8 = r"[+-]\d\.\d{8}E[+-]\d{2}"
ROWS = (
    MeterRow(models="34401A", bandwidth="DET:BAND", abort="", reply=NR3_8),
    MeterRow(models="34405A", four_wire=False, integration="", bandwidth=""),
    MeterRow(models="3441[01]A", offset_compensation=True),
    MeterRow(models="3446[01]A"),
    MeterRow(models="344(65|70)A", offset_compensation=True, reply=NR3_8),
    MeterRow(models="SDM30(55|65)\\S*", bandwidth="", gap_s=0.02),
    MeterRow(models="DM305[18]E?|DM3068", first=("CMDSET AGILENT",), bandwidth="DET:BAND", abort="", gap_s=0.02),
)
WIDEST_GAP_S = max(row.gap_s for row in ROWS)  # until it is known who answers
MODELS = "|".join(f"(?:{row.models})" for row in ROWS)


def row_of(model: str) -> MeterRow:
    """The row of a model; the plainest one for a model that has none."""
    return next((row for row in ROWS if re.fullmatch(row.models, model, re.IGNORECASE)), MeterRow(models=model))


@dataclass(frozen=True, slots=True)
class Setting:
    """A configuration that two readings may share. range_: None leaves the choice to the meter."""

    function: str  # FRES, RES, VOLT:DC, VOLT:AC
    unit: str
    range_: float | None
    nplc: float = 0.0
    offset_compensation: bool = False
    bandwidth_hz: float = 0.0


class Multimeter344xx(ScpiDevice):
    """line_hz: mains frequency, sets how long a power-line cycle lasts."""

    models: ClassVar[str] = MODELS
    bandwidths_hz: ClassVar[tuple[float, ...]] = BANDWIDTHS_HZ
    test_currents: ClassVar[tuple[tuple[float, float], ...]] = (  # range, A; data sheets of 34401A and 34461A
        (1e3, 1e-3),
        (10e3, 1e-4),
        (100e3, 1e-5),
        (1e6, 5e-6),
        (100e6, 5e-7),
    )

    def __init__(self, name: str, link: str | Link, *, line_hz: float = 50.0) -> None:
        super().__init__(name, link)
        self._line_hz = line_hz
        self._row = MeterRow(models="")
        self._setting: Setting | None = None
        self._range_upper = 0.0
        self._read_back_replies: list[str] = []

    @property
    def abilities(self) -> MultimeterAbilities:
        """Of the model that answered."""
        row = self._row
        return MultimeterAbilities(
            four_wire=row.four_wire,
            offset_compensation=row.offset_compensation,
            offset_upper_ohm=row.offset_upper_ohm,
            integration=bool(row.integration),
        )

    @property
    def _is_serial(self) -> bool:
        return "ASRL" in self._link.url.upper() or self._link.url.startswith("serial")

    def open(self) -> None:
        """Opens, takes a serial instrument into remote, identifies, and chooses the family's words."""
        self._setting = None
        self._session.gap_s = WIDEST_GAP_S
        self._session.open()
        if self._is_serial:
            try:
                self._session.write("SYST:REM")
            except BenchError:
                self.close()
                raise
        super().open()
        self._row = row_of(self.identity().model)
        self._session.gap_s = self._row.gap_s
        self._first_words()

    def _first_words(self) -> None:
        """What a family needs to hear before anything else."""
        for word in self._row.first:
            self._session.set(word)

    def _identify_again(self) -> None:
        if self._is_serial:
            self._session.write("SYST:REM")
        super()._identify_again()
        self._first_words()

    def _set_up_again(self) -> None:
        """After a lost link the next reading is configured anew, and read back as always."""
        self._setting = None

    def resistance_ohm(
        self, *, four_wire: bool, range_ohm: float | None, nplc: float, offset_compensation: bool = False
    ) -> MeterReading:
        """Ohms at the terminals; `value` is None over range. InstrumentRefused for a range or NPLC it has not."""
        if four_wire and not self._row.four_wire:
            raise UsageError(f"{self._name}: this model has no four-wire ohms.", next_action="Measure two-wire.")
        if offset_compensation and not self._row.offset_compensation:
            raise UsageError(
                f"{self._name}: this model has no offset compensation.",
                next_action="Measure with both polarities and average, without it.",
            )
        function = "FRES" if four_wire else "RES"
        return self._take(Setting(function, "ohm", range_ohm, nplc, offset_compensation))

    def test_current_a(self, range_ohm: float) -> float | None:
        """What flows through the unknown on a range, by the maker's data sheet; None for a range that is not there."""
        return next((amps for upper, amps in self.test_currents if range_ohm <= upper * (1 + 1e-9)), None)

    def dc_volts(self, *, range_v: float | None, nplc: float) -> MeterReading:
        """DC volts at the terminals."""
        return self._take(Setting("VOLT:DC", "V", range_v, nplc))

    def ac_volts_rms(self, *, range_v: float | None, bandwidth_hz: float = 20.0) -> MeterReading:
        """True rms volts, AC coupled. bandwidth_hz: the lowest frequency of the signal, 3 Hz or more."""
        bands = self.bandwidths_hz
        fitting = [band for band in bands if band <= bandwidth_hz]
        if not fitting:
            raise UsageError(f"{self._name}: no AC bandwidth below {bands[0]:g} Hz.", next_action="Ask for 3.")
        return self._take(Setting("VOLT:AC", "V", range_v, bandwidth_hz=max(fitting)))

    def safe_state(self) -> None:
        """Stops a reading in progress; the next one is configured anew."""
        with self._for_safety() as is_open:
            self._setting = None
            if is_open:
                if self._row.abort:
                    self._session.write(self._row.abort)
                self._session.query("*OPC?", explain=False)

    def _take(self, wanted: Setting) -> MeterReading:
        return self._again(lambda: self._take_once(wanted))

    def _take_once(self, wanted: Setting) -> MeterReading:
        with self._session.lock:
            try:
                if wanted != self._setting:
                    self._configure(wanted)
                value = self._value(wanted)
                self._still(wanted)
            except BenchError:
                self._setting = None
                raise
            return MeterReading(value=value, unit=wanted.unit, range_upper=self._range_upper, overload=value is None)

    def _value(self, wanted: Setting) -> float | None:
        """One reading; None over range. On a serial wire it must look like one to the letter."""
        session = self._session
        reply = session.query("READ?", self._deadline_s(wanted))
        with session.parsing("READ?"):
            value = scpi.parse_reading(reply, self._row.overload)
            pattern = self._row.reply if self._is_serial and value is not None else ""
            if pattern and not re.fullmatch(pattern, reply.strip()):
                raise BadReply(f"{reply!r} has lost or gained a character")
        return value

    def _queries(self, setting: Setting) -> list[str]:
        """Queries that tell whether a setting still holds: range first, then integration time or bandwidth."""
        queries = [f"{setting.function}:RANG?"]
        if setting.function == "VOLT:AC":
            queries += [f"{self._row.bandwidth}?"] if self._row.bandwidth else []
        elif self._row.integration:
            queries.append(f"{setting.function}:{self._row.integration}?")
        if setting.offset_compensation:
            queries.append(f"{setting.function}:OCOM?")
        return queries

    def _still(self, setting: Setting) -> None:
        """Refuses a reading when function, range or integration time are no longer what was set."""
        function, *now = self._session.ask("FUNC?", *self._queries(setting))
        if setting.range_ is None:
            with self._session.parsing(f"{setting.function}:RANG?"):
                self._range_upper = scpi.parse_number(now[0])
            now, before = now[1:], self._read_back_replies[1:]
        else:
            before = self._read_back_replies
        reply_text = function.strip().strip('"').upper().removesuffix(":DC")
        if reply_text != setting.function.removesuffix(":DC") or now != before:
            raise InstrumentRefused(
                f"its settings were changed by somebody else: {function}, {now} where {setting.function}, {before} "
                "was set; the reading is thrown away",
                instrument=self._name,
                exchange="FUNC?",
                next_action="Leave its panel alone and see who else is connected, then repeat the reading.",
            )

    def _configure(self, wanted: Setting) -> None:
        session, function = self._session, wanted.function
        self._setting = None
        session.write("*CLS")
        range_ = "DEF" if wanted.range_ is None else scpi.number(wanted.range_)
        session.write(f"CONF:{function} {range_}")
        if function == "VOLT:AC":
            if self._row.bandwidth:
                session.write(f"{self._row.bandwidth} {wanted.bandwidth_hz:g}")
        elif self._row.integration:
            session.write(f"{function}:{self._row.integration} {scpi.number(wanted.nplc)}")
        if wanted.offset_compensation:
            session.write(f"{function}:OCOM ON")
        session.check(f"CONF:{function} {range_}")
        self._read_back(wanted, session.ask(*self._queries(wanted)))
        self._setting = wanted

    def _read_back(self, wanted: Setting, got: list[str]) -> None:
        keys = self._queries(wanted)
        values = {"RANG": wanted.range_, "NPLC": wanted.nplc, "BAND": wanted.bandwidth_hz, "OCOM": 1.0}
        with self._session.parsing(";".join(keys)):
            numbers = [
                float(scpi.parse_boolean(reply, of=key)) if key.endswith("OCOM?") else scpi.parse_number(reply, of=key)
                for key, reply in zip(keys, got, strict=True)
            ]
        for key, value in zip(keys, numbers, strict=True):
            expected = values[key.rstrip("?").rpartition(":")[2]]
            if expected is not None and not scpi.same(expected, value):
                raise InstrumentRefused(
                    f"was set to {expected:g} and reads back {value:g}",
                    instrument=self._name,
                    exchange=key.rstrip("?"),
                    next_action="Ask for a value that this model has (see its manual).",
                )
        self._range_upper, self._read_back_replies = numbers[0], got

    def _deadline_s(self, setting: Setting) -> float:
        if setting.function == "VOLT:AC":
            return 2.0 * AC_SETTLING_S[setting.bandwidth_hz] + 3.0
        once_s = setting.nplc / self._line_hz * 2.0 * (2.0 if setting.offset_compensation else 1.0)
        return 2.0 * once_s * (4.0 if setting.range_ is None else 1.0) + 3.0
