"""The words of a 6.5-digit bench multimeter of the Truevolt class, over RS-232 or a socket.

Written from the maker's manual: Keysight Truevolt Series Operating and Service Guide (34460A to 34470A), "SCPI
Programming Reference" (CONFigure, INITiate, MEASure, READ?, SENSe, TRIGger); reply of CONF? as on the 34401A. Figures
from memory are marked with a dagger. Measuring itself: bench_meter.py. SYST:REM is accepted and never demanded.
ZERO:AUTO, DET:BAND and INP:IMP:AUTO without a function's name are the 34401A's and act on the present function.
"""

from __future__ import annotations

import math
from functools import partial

from drivers.simulated.instruments.multimeter.bench_meter import (
    HEADERS,
    NPLCS,
    RANGES,
    RESOLUTION_OF,
    START_RANGE,
    UNITS,
    BenchMeter,
    MeterSetting,
    range_for,
)
from drivers.simulated.instruments.scpi.words import Call, Command, HeldReply, Result, ScpiFault
from drivers.simulated.interfaces import WorldInterface


class Multimeter(BenchMeter):
    """The bench meter in the words of its class."""

    identity = "Keysight Technologies,34465A,SIM00001,SIM-1.0"

    def __init__(self, world: WorldInterface) -> None:
        super().__init__(world)
        self.table += self._triggering() + self._configuring()
        for name in RANGES:
            self.table += self._sensing(name)

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

    def _fetch(self, _call: Call) -> HeldReply:
        if self._readings is None and not self._armed:
            raise ScpiFault(-230)
        return HeldReply(lambda: ",".join(self._readings or ()), self.operations_end_s)

    def _read(self, call: Call) -> HeldReply:
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
        self._settings[name] = MeterSetting(upper, auto, nplc, autozero=nplc >= 1.0)
        self._offset_compensation = False
        self._bandwidth_hz = 20
        self._samples = self._trigger_count = 1
        self._source, self._delay_s = "IMM", None
        self._to_idle()

    def _measure_now(self, name: str, call: Call) -> HeldReply:
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

    def _set_range(self, call: Call, name: str) -> None:
        words = {"MINimum": RANGES[name][0], "MAXimum": RANGES[name][-1], "DEFault": START_RANGE[name]}
        upper = range_for(name, call.number(UNITS[name], words))
        self._change(name, range_upper=upper, auto_range=False)

    def _range(self, name: str) -> Result:
        return f"{self._settings[name].range_upper:+.8E}"

    def _set_nplc(self, call: Call, name: str) -> None:
        value = call.number(words={"MINimum": NPLCS[0], "MAXimum": NPLCS[-1], "DEFault": 10.0})
        if not NPLCS[0] * 0.999 <= value <= NPLCS[-1]:
            raise ScpiFault(-222)
        self._change(name, nplc=min(n for n in NPLCS if n >= value * 0.999))

    def _nplc(self, name: str) -> Result:
        return f"{self._settings[name].nplc:+.8E}"

    def _set_input(self, call: Call) -> None:
        """Stored and read back only: the world's voltages do not depend on it."""
        self._high_input = call.boolean()

    def _set_ocomp(self, call: Call) -> None:
        self._offset_compensation = call.boolean()
        self._to_idle()
