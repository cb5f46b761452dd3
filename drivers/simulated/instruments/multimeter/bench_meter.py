"""What simulated bench multimeters share: functions, conversion times, trigger and the readings of the world; no words.

Conversion time: NPLC / 50 Hz, twice for autozero or four wires, twice for offset compensation, plus 5 ms. Overload:
+9.90000000E+37. Source: Keysight Truevolt Series Operating and Service Guide, "Measurement tutorial" and "SCPI
Programming Reference".
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from drivers.simulated.instruments.scpi.dialogue import ScpiInstrument
from drivers.simulated.instruments.scpi.words import Call, Result, ScpiFault
from drivers.simulated.interfaces import WorldInterface

LINE_HZ = 50.0
OVERLOAD = 9.9e37
NPLCS = (0.02, 0.06, 0.2, 1.0, 10.0, 100.0)
RESOLUTION_OF = {100.0: 3e-8, 10.0: 1e-7, 1.0: 3e-7, 0.2: 7e-7, 0.06: 1.5e-6, 0.02: 3e-6}  # dagger, of the range
AC_SETTLE_S = {3: 2.5, 20: 0.625, 200: 0.025}  # dagger
RANGES = {
    "RES": (1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8),
    "FRES": (1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8),
    "VOLT": (0.1, 1.0, 10.0, 100.0, 1000.0),
    "VOLT:AC": (0.1, 1.0, 10.0, 100.0, 750.0),
}
HEADERS = {"RES": "RESistance", "FRES": "FRESistance", "VOLT": "VOLTage[:DC]", "VOLT:AC": "VOLTage:AC"}
UNITS = {"RES": "OHM", "FRES": "OHM", "VOLT": "V", "VOLT:AC": "V"}
START_RANGE = {"RES": 1e3, "FRES": 1e3, "VOLT": 10.0, "VOLT:AC": 10.0}


@dataclass(frozen=True)
class MeterSetting:
    """How one function measures. range_upper: upper end of the range, ohm or V."""

    range_upper: float
    auto_range: bool = True
    nplc: float = 10.0
    autozero: bool = True


def range_for(name: str, wanted: float) -> float:
    """The smallest range of a function that holds `wanted`. Raises -222 above the largest."""
    for upper in RANGES[name]:
        if abs(wanted) <= upper * 1.000001:
            return upper
    raise ScpiFault(-222)


class BenchMeter(ScpiInstrument):
    """Resistance, DC and AC volts of whatever the relays put on its terminals; a family adds its words."""

    def __init__(self, world: WorldInterface) -> None:
        super().__init__()
        self._world = world
        self._power_on()

    def _power_on(self) -> None:
        self._function = "VOLT"
        self._settings = {name: MeterSetting(START_RANGE[name]) for name in RANGES}
        self._offset_compensation = False
        self._high_input = False
        self._bandwidth_hz = 20
        self._samples = 1
        self._trigger_count = 1
        self._source = "IMM"
        self._delay_s: float | None = None
        self._to_idle()

    def _to_idle(self) -> None:
        self._readings: list[str] | None = None
        self._end_s = -math.inf
        self._armed = False

    # status ------------------------------------------------------------------------------------------
    def operations_end_s(self) -> float:
        return math.inf if self._armed else self._end_s

    def reset(self, _t_s: float, /) -> None:
        self._power_on()

    def clear(self, _t_s: float, /) -> None:
        self._to_idle()

    def trigger(self, t_s: float, /) -> None:
        if not self._armed or self._source != "BUS":
            raise ScpiFault(-211)
        self._measure(t_s)

    # measuring ---------------------------------------------------------------------------------------
    def conversion_s(self) -> float:
        """Bench time of one reading in the present configuration."""
        setting = self._settings[self._function]
        if self._function == "VOLT:AC":
            return AC_SETTLE_S[self._bandwidth_hz] + 0.005
        time_s = setting.nplc / LINE_HZ
        if self._function == "FRES" or setting.autozero:
            time_s *= 2.0
        if self._function in ("RES", "FRES") and self._offset_compensation:
            time_s *= 2.0
        return time_s + 0.005 + (self._delay_s or 0.0)

    def _measure(self, t_s: float) -> None:
        one_s = self.conversion_s()
        count = self._samples * self._trigger_count
        self._readings = [self._reading(t_s + (i + 0.5) * one_s) for i in range(count)]
        self._end_s = t_s + count * one_s
        self._armed = False

    def _reading(self, t_s: float) -> str:
        value = self._value(t_s)
        setting = self._settings[self._function]
        ranges = RANGES[self._function]
        if setting.auto_range:
            fitting = [r for r in ranges if abs(value) <= 1.2 * r]
            setting = replace(setting, range_upper=fitting[0] if fitting else ranges[-1])
            self._settings[self._function] = setting
        ceiling = setting.range_upper * (1.0 if setting.range_upper in (1000.0, 750.0) else 1.2)
        if not abs(value) <= ceiling:
            value = math.copysign(OVERLOAD, value)
        return f"{value:+.8E}"

    def _value(self, t_s: float) -> float:
        nplc = self._settings[self._function].nplc
        if self._function == "VOLT":
            return self._world.meter_dc_v(t_s, nplc)
        if self._function == "VOLT:AC":
            return self._world.meter_ac_v(t_s)
        return self._world.meter_resistance_ohm(
            t_s,
            four_wire=self._function == "FRES",
            offset_compensation=self._offset_compensation,
            nplc=nplc,
        )

    def _init(self, call: Call) -> None:
        if self._armed or self._end_s > call.t_s:
            raise ScpiFault(-213)
        self._to_idle()
        if self._source == "IMM":
            self._measure(call.t_s)
        else:
            self._armed = True

    # settings that all families keep -----------------------------------------------------------------
    def _set_samples(self, call: Call) -> None:
        self._samples = self._whole(call)

    def _whole(self, call: Call) -> int:
        value = call.number(words={"MINimum": 1, "MAXimum": 50_000, "DEFault": 1})
        if not 1 <= value <= 50_000:
            raise ScpiFault(-222)
        self._to_idle()
        return round(value)

    def _change(self, name: str, **what: float | bool) -> None:
        self._settings[name] = replace(self._settings[name], **what)  # type: ignore[arg-type]
        self._to_idle()

    def _set_auto(self, call: Call, name: str) -> None:
        auto = call.text() != "ONCE" and call.boolean()
        self._change(name, auto_range=auto)

    def _auto(self, name: str) -> Result:
        return f"{int(self._settings[name].auto_range)}"

    def _set_zero(self, call: Call, name: str) -> None:
        self._change(name, autozero=call.text() != "ONCE" and call.boolean())

    def _zero(self, name: str) -> Result:
        return f"{int(self._settings[name].autozero)}"
