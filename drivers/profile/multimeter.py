"""A multimeter by its profile: ohms and volts, each configuration read back, over range never a number."""

from __future__ import annotations

from dataclasses import dataclass

from drivers import scpi
from drivers.link.base import Link
from drivers.profile.device import ProfiledDevice
from drivers.profile.model import Profile
from drivers.profile.tables import Function, Meter
from drivers.roles import MeterReading, MultimeterAbilities
from rig.errors import BenchError, UsageError


@dataclass(frozen=True, slots=True)
class _Setting:
    name: str
    unit: str
    range_: float
    nplc: float
    compensation: bool


class ProfiledMultimeter(ProfiledDevice):
    """line_hz: mains frequency, for the deadline of a reading."""

    def __init__(self, name: str, link: str | Link, *, profile: Profile, line_hz: float = 50.0) -> None:
        super().__init__(name, link, profile=profile)
        if profile.multimeter is None:
            raise UsageError(f"{name}: profile {profile.name} is no multimeter.")
        self._meter: Meter = profile.multimeter
        self._line_hz = line_hz
        self._setting: _Setting | None = None

    @property
    def abilities(self) -> MultimeterAbilities:
        """As its profile says."""
        return MultimeterAbilities(
            four_wire=self._meter.four_wire is not None,
            offset_compensation=self._meter.offset_compensation is not None,
            integration=bool(self._meter.nplc),
        )

    def open(self) -> None:
        """Opens, identifies, and says the first words."""
        self._setting = None
        super().open()
        if self._meter.first:
            self._say(*self._meter.first)

    def _set_up_again(self) -> None:
        self._setting = None
        if self._meter.first:
            self._say(*self._meter.first)

    def resistance_ohm(
        self, *, four_wire: bool, range_ohm: float | None, nplc: float, offset_compensation: bool = False
    ) -> MeterReading:
        """Ohms at the terminals; `value` is None over range. UsageError for what the profile does not offer."""
        if offset_compensation and self._meter.offset_compensation is None:
            raise UsageError(
                f"{self._name}: this model has no offset compensation.",
                next_action="Measure with both polarities and average, without it.",
            )
        name = "four_wire" if four_wire else "two_wire"
        return self._take(name, "ohm", range_ohm, nplc, offset_compensation)

    def dc_volts(self, *, range_v: float | None, nplc: float) -> MeterReading:
        """DC volts at the terminals."""
        return self._take("dc_volts", "V", range_v, nplc)

    def ac_volts_rms(self, *, range_v: float | None, bandwidth_hz: float = 20.0) -> MeterReading:
        """Volts rms, AC coupled; the band is the meter's own."""
        del bandwidth_hz
        return self._take("ac_volts", "V", range_v, 0.0)

    def safe_state(self) -> None:
        """It only measures: the next reading is configured anew."""
        self._setting = None

    def _take(
        self, name: str, unit: str, range_: float | None, nplc: float, compensation: bool = False
    ) -> MeterReading:
        function: Function | None = getattr(self._meter, name)
        if function is None:
            raise UsageError(
                f"{self._name}: profile {self._profile.name} has no {name.replace('_', ' ')}.",
                next_action="Choose another meter, or add the table from its manual.",
            )
        if range_ is None:
            return self._widest_first(function, name, unit, nplc, compensation)
        fitting = [one for one in function.ranges if one >= range_ * 0.999]
        if not fitting:
            raise UsageError(
                f"{self._name}: no {name.replace('_', ' ')} range of {range_:g} {unit}.",
                next_action=f"Its ranges: {', '.join(f'{one:g}' for one in function.ranges)} {unit}.",
            )
        return self._again(lambda: self._once(function, _Setting(name, unit, fitting[0], nplc, compensation)))

    def _widest_first(self, function: Function, name: str, unit: str, nplc: float, compensation: bool) -> MeterReading:
        """The caller leaves the range to the meter: the widest tells which range fits, and that one is read."""
        top = _Setting(name, unit, function.ranges[-1], nplc, compensation)
        found = self._again(lambda: self._once(function, top))
        if found.value is None:
            return found
        value = abs(found.value)
        for range_ in (one for one in function.ranges if one >= value):
            wanted = _Setting(name, unit, range_, nplc, compensation)
            read = self._again(lambda wanted=wanted: self._once(function, wanted))  # type: ignore[misc]
            if read.value is not None:
                return read
        return found

    def _once(self, function: Function, wanted: _Setting) -> MeterReading:
        with self._session.lock:
            try:
                if wanted != self._setting:
                    self._configure(function, wanted)
                value = self._value(function, wanted)
                self._still(function, wanted)
            except BenchError:
                self._setting = None
                raise
        return MeterReading(value=value, unit=wanted.unit, range_upper=wanted.range_, overload=value is None)

    def _configure(self, function: Function, wanted: _Setting) -> None:
        self._setting = None
        if function.range_words:
            range_word = function.range_words[function.ranges.index(wanted.range_)]
        else:
            range_word = scpi.number(wanted.range_)
        nplc = scpi.number(self._cycles(wanted.nplc))
        self._say(*(word.format(range=range_word, nplc=nplc) for word in function.set))
        if (own := self._meter.offset_compensation) is not None and wanted.unit == "ohm":
            self._say(own.on if wanted.compensation else own.off)
        self._still(function, wanted)
        self._setting = wanted

    def _cycles(self, nplc: float) -> float:
        """The shortest integration time that is long enough; the longest where none is."""
        known = self._meter.nplc
        return next((one for one in known if one >= nplc * 0.999), known[-1]) if known else nplc

    def _still(self, function: Function, wanted: _Setting) -> None:
        """Everything that can be read back is as it was set; asked after each reading too."""
        for one in function.read_back:
            if one.text is not None:
                self._stands(one.ask, one.text)
                continue
            expected = wanted.range_ if one.number == "range" else self._cycles(wanted.nplc)
            got = self._number(one.ask)
            if not scpi.same(expected, got, rel=one.tolerance):
                raise self._otherwise(one.ask, f"{expected:g}", f"{got:g}")
        if (own := self._meter.offset_compensation) is not None and wanted.compensation:
            self._stands(own.ask, own.is_on)

    def _value(self, function: Function, wanted: _Setting) -> float | None:
        over = self._meter.overload
        cycles_s = 2.0 * self._cycles(wanted.nplc) / self._line_hz if wanted.nplc else 0.0
        deadline_s = 2.0 * (function.reading_s + cycles_s) + self._profile.wire.deadline_s
        reply = self._session.query(function.read, deadline_s)
        with self._session.parsing(function.read):
            if reply.strip() in over.tokens:
                return None
            text = self._bare_value(reply, function.answer)
            value = scpi.parse_reading(text, scpi.OverloadProfile(over.magnitudes), of=function.read)
        if value is None or (over.at_least is not None and abs(value) >= over.at_least):
            return None
        return value * function.scale
