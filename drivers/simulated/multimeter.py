"""The words of a 6.5-digit bench multimeter of the Truevolt class, over RS-232 or a socket.

Written from the maker's manual: Keysight Truevolt Series Operating and Service Guide (34460A to 34470A), "SCPI
Programming Reference" (CONFigure, INITiate, MEASure, READ?, SENSe, TRIGger); reply of CONF? as on the 34401A.
Figures from memory are marked with a dagger. Conversion time: NPLC / 50 Hz, twice for autozero or four wires,
twice for offset compensation, plus 5 ms. Overload: +9.90000000E+37. SYST:REM is accepted and never demanded.
ZERO:AUTO, DET:BAND and INP:IMP:AUTO without a function's name are the 34401A's and act on the present function.
It must never know a resolver or a wire; the world gives the values.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import partial

from drivers.simulated.face import WorldFace
from drivers.simulated.meter_ranges import (
    AC_SETTLE_S,
    HEADERS,
    LINE_HZ,
    NPLCS,
    OVERLOAD,
    RANGES,
    RESOLUTION_OF,
    START_RANGE,
    UNITS,
    Setting,
    range_for,
)
from drivers.simulated.scpi_dialogue import ScpiInstrument
from drivers.simulated.scpi_words import Call, Command, Held, Result, ScpiFault


class Multimeter(ScpiInstrument):
    """Resistance, DC and AC volts of whatever the relays put on its terminals."""

    identity = "Keysight Technologies,34465A,SIM00001,SIM-1.0"

    def __init__(self, world: WorldFace) -> None:
        super().__init__()
        self._world = world
        self._power_on()
        self.table += self._triggering() + self._configuring()
        for name in RANGES:
            self.table += self._sensing(name)

    def _power_on(self) -> None:
        self._function = "VOLT"
        self._settings = {name: Setting(START_RANGE[name]) for name in RANGES}
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

    # status ------------------------------------------------------------------------------------------------
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

    # measuring ---------------------------------------------------------------------------------------------
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

    # triggering --------------------------------------------------------------------------------------------
    def _triggering(self) -> list[Command]:
        return [
            Command("INITiate[:IMMediate]", set=self._init),
            Command("FETCh", query=self._fetch),
            Command("READ", query=self._read),
            Command("ABORt", set=lambda _: self._to_idle()),
            Command("TRIGger:SOURce", set=self._set_source, query=lambda _: self._source),
            Command("TRIGger:COUNt", set=self._set_count, query=lambda _: f"{self._trigger_count:+d}"),
            Command("TRIGger:DELay", set=self._set_delay, query=lambda _: f"{self._delay_s or 0.0:+.8E}"),
            Command("TRIGger:DELay:AUTO", set=self._set_delay_auto, query=lambda _: f"{int(self._delay_s is None)}"),
            Command("SAMPle:COUNt", set=self._set_samples, query=lambda _: f"{self._samples:+d}"),
            Command("DATA:POINts", query=lambda c: f"{self._points(c.t_s):+d}"),
            Command("DISPlay[:STATe]", set=lambda _: None, query=lambda _: "1"),
            Command("ROUTe:TERMinals", query=lambda _: "FRON"),
        ]

    def _init(self, call: Call) -> None:
        if self._armed or self._end_s > call.t_s:
            raise ScpiFault(-213)
        self._to_idle()
        if self._source == "IMM":
            self._measure(call.t_s)
        else:
            self._armed = True

    def _fetch(self, _call: Call) -> Held:
        if self._readings is None and not self._armed:
            raise ScpiFault(-230)
        return Held(lambda: ",".join(self._readings or ()), self.operations_end_s)

    def _read(self, call: Call) -> Held:
        if self._source == "BUS":
            raise ScpiFault(-214)
        self._init(call)
        return self._fetch(call)

    def _points(self, t_s: float) -> int:
        return len(self._readings) if self._readings is not None and self._end_s <= t_s else 0

    def _set_source(self, call: Call) -> None:
        self._source = call.choice("IMMediate", "BUS", "EXTernal")
        self._to_idle()

    def _set_count(self, call: Call) -> None:
        self._trigger_count = self._whole(call)

    def _set_samples(self, call: Call) -> None:
        self._samples = self._whole(call)

    def _whole(self, call: Call) -> int:
        value = call.number(words={"MINimum": 1, "MAXimum": 50_000, "DEFault": 1})
        if not 1 <= value <= 50_000:
            raise ScpiFault(-222)
        self._to_idle()
        return round(value)

    def _set_delay(self, call: Call) -> None:
        value = call.number("S", {"MINimum": 0.0, "MAXimum": 3600.0, "DEFault": 1.0})
        if not 0.0 <= value <= 3600.0:
            raise ScpiFault(-222)
        self._delay_s = value

    def _set_delay_auto(self, call: Call) -> None:
        self._delay_s = None if call.boolean() else self._delay_s or 0.0

    # configuring -------------------------------------------------------------------------------------------
    def _configuring(self) -> list[Command]:
        rows = [
            Command("CONFigure", query=self._configuration),
            Command("[SENSe:]FUNCtion[:ON]", set=self._set_function, query=lambda _: f'"{self._function}"'),
            Command("[SENSe:]VOLTage:AC:BANDwidth", set=self._set_band, query=lambda _: f"{self._bandwidth_hz:+.8E}"),
            Command("[SENSe:]DETector:BANDwidth", self._set_band, lambda _: f"{self._bandwidth_hz:+.8E}"),
            Command(
                "[SENSe:]ZERO:AUTO", lambda c: self._set_zero(c, self._function), lambda _: self._zero(self._function)
            ),
            Command("INPut:IMPedance:AUTO", self._set_input, lambda _: f"{self._high_input:d}"),
        ]
        return rows + [
            command
            for name, header in HEADERS.items()
            for command in (
                Command(f"CONFigure:{header}", set=partial(self._configure, name)),
                Command(f"MEASure:{header}", query=partial(self._measure_now, name)),
            )
        ]

    def _configure(self, name: str, call: Call) -> None:
        call.only(2)
        ranges = RANGES[name]
        words = {"AUTO": math.nan, "DEFault": math.nan, "MINimum": ranges[0], "MAXimum": ranges[-1]}
        wanted = call.number(UNITS[name], words) if call.args else math.nan
        auto = math.isnan(wanted)
        upper = START_RANGE[name] if auto else range_for(name, wanted)
        nplc = 10.0
        if len(call.args) == 2:
            bounds = {"DEFault": 1e-7 * upper, "MINimum": 3e-8 * upper, "MAXimum": 3e-6 * upper}
            share = call.number(UNITS[name], bounds, index=1) / upper
            nplc = min((n for n, s in RESOLUTION_OF.items() if s <= share * 1.000001), default=math.nan)
            if math.isnan(nplc):
                raise ScpiFault(-222)
        self._function = name
        self._settings[name] = Setting(upper, auto, nplc, autozero=nplc >= 1.0)
        self._offset_compensation = False
        self._bandwidth_hz = 20
        self._samples = self._trigger_count = 1
        self._source, self._delay_s = "IMM", None
        self._to_idle()

    def _measure_now(self, name: str, call: Call) -> Held:
        self._configure(name, call)
        return self._read(Call(call.t_s))

    def _configuration(self, _call: Call) -> str:
        setting = self._settings[self._function]
        resolution = RESOLUTION_OF[setting.nplc] * setting.range_upper
        return f'"{self._function} {setting.range_upper:+.8E},{resolution:+.8E}"'

    def _set_function(self, call: Call) -> None:
        name = call.text()
        for known, header in HEADERS.items():
            spelled = {known, header.upper().replace("[:DC]", ""), header.upper().replace("[:DC]", ":DC")}
            if name in spelled or (known == "VOLT" and name == "VOLT:DC"):
                self._function = known
                return self._to_idle()
        raise ScpiFault(-224)

    def _set_band(self, call: Call) -> None:
        value = call.number("HZ", {"MINimum": 3.0, "MAXimum": 200.0, "DEFault": 20.0})
        if not 3.0 <= value <= 300_000.0:
            raise ScpiFault(-222)
        self._bandwidth_hz = 200 if value >= 200.0 else 20 if value >= 20.0 else 3
        self._to_idle()

    def _sensing(self, name: str) -> list[Command]:
        header = f"[SENSe:]{HEADERS[name]}"
        rows = [
            Command(f"{header}:RANGe[:UPPer]", lambda c: self._set_range(c, name), lambda _: self._range(name)),
            Command(f"{header}:RANGe:AUTO", lambda c: self._set_auto(c, name), lambda _: self._auto(name)),
        ]
        if name != "VOLT:AC":
            rows.append(Command(f"{header}:NPLCycles", lambda c: self._set_nplc(c, name), lambda _: self._nplc(name)))
        if name in ("RES", "VOLT"):
            rows.append(Command(f"{header}:ZERO:AUTO", lambda c: self._set_zero(c, name), lambda _: self._zero(name)))
        if name in ("RES", "FRES"):
            rows.append(
                Command(f"{header}:OCOMpensated", self._set_ocomp, lambda _: f"{int(self._offset_compensation)}")
            )
        return rows

    def _change(self, name: str, **what: float | bool) -> None:
        self._settings[name] = replace(self._settings[name], **what)  # type: ignore[arg-type]
        self._to_idle()

    def _set_range(self, call: Call, name: str) -> None:
        words = {"MINimum": RANGES[name][0], "MAXimum": RANGES[name][-1], "DEFault": START_RANGE[name]}
        upper = range_for(name, call.number(UNITS[name], words))
        self._change(name, range_upper=upper, auto_range=False)

    def _range(self, name: str) -> Result:
        return f"{self._settings[name].range_upper:+.8E}"

    def _set_auto(self, call: Call, name: str) -> None:
        auto = call.text() != "ONCE" and call.boolean()
        self._change(name, auto_range=auto)

    def _auto(self, name: str) -> Result:
        return f"{int(self._settings[name].auto_range)}"

    def _set_nplc(self, call: Call, name: str) -> None:
        value = call.number(words={"MINimum": NPLCS[0], "MAXimum": NPLCS[-1], "DEFault": 10.0})
        if not NPLCS[0] * 0.999 <= value <= NPLCS[-1]:
            raise ScpiFault(-222)
        self._change(name, nplc=min(n for n in NPLCS if n >= value * 0.999))

    def _nplc(self, name: str) -> Result:
        return f"{self._settings[name].nplc:+.8E}"

    def _set_zero(self, call: Call, name: str) -> None:
        self._change(name, autozero=call.text() != "ONCE" and call.boolean())

    def _zero(self, name: str) -> Result:
        return f"{int(self._settings[name].autozero)}"

    def _set_input(self, call: Call) -> None:
        """Kept and told; the world's voltages do not depend on it."""
        self._high_input = call.boolean()

    def _set_ocomp(self, call: Call) -> None:
        self._offset_compensation = call.boolean()
        self._to_idle()
