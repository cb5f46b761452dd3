"""The words of a DMM6500-class multimeter in its native SCPI set: a SENSe node in front of every setting.

Written from the maker's manual: Keithley DMM6500 Reference Manual DMM6500-901-01, section 12 (FUNCtion, RANGe,
NPLCycles, OCOMpensated, AZERo, DETector:BANDwidth, FORMat, READ?, TRACe:DATA?) and appendix B (*LANG). Readings in
REAL are blocks of indefinite length, `#0` and eight bytes. Offset compensation of four-wire ohms ends at 10 kilohm.
It shares the conversion times and the physics of bench_meter.py.
"""

from __future__ import annotations

import struct
from dataclasses import replace

from drivers.simulated.instruments.multimeter.bench_meter import HEADERS, UNITS, BenchMeter
from drivers.simulated.instruments.scpi.words import Call, Command, HeldReply, ScpiFault
from drivers.simulated.interfaces import WorldInterface

RANGES = {
    "RES": (1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8),
    "FRES": (1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8),
    "VOLT": (0.1, 1.0, 10.0, 100.0, 1000.0),
    "VOLT:AC": (0.1, 1.0, 10.0, 100.0, 750.0),
}
NPLC = (0.0005, 12.0)  # at 50 Hz
BANDS_HZ = (3, 30, 300)
OCOM_UPPER_OHM = 1e4
LANGUAGES = ("TSP", "SCPI", "SCPI2000", "SCPI34401")


class Dmm6500(BenchMeter):
    """Settings and the format of replies; the common part measures."""

    identity = "KEITHLEY INSTRUMENTS,MODEL DMM6500,SIM00001,1.7.12b"

    def __init__(self, world: WorldInterface) -> None:
        super().__init__(world)
        self.table += self._own()
        self._language = "SCPI"
        self._format = "ASC"
        self._swapped = True
        for name in RANGES:
            self._settings[name] = replace(self._settings[name], nplc=1.0)

    def _own(self) -> list[Command]:
        rows = [
            Command("*LANG", self._set_language, lambda _: self._language),
            Command("[:SENSe#]:FUNCtion[:ON]", self._choose, lambda _: f'"{self._function_name()}"'),
            Command("[:SENSe#]:COUNt", self._set_samples, lambda _: f"{self._samples}"),
            Command("FORMat[:DATA]", self._set_format, lambda _: self._format),
            Command("FORMat:BORDer", self._set_order, lambda _: "SWAP" if self._swapped else "NORM"),
            Command("READ", query=self._native_read),
            Command("FETCh", query=self._native_fetch),
            Command("INITiate[:IMMediate]", set=self._init),
            Command("TRACe:DATA", query=self._trace),
            Command("ABORt", set=lambda _: self._to_idle()),
            Command("ROUTe:TERMinals", query=lambda _: "FRON"),
            Command("DISPlay:CLEar", set=lambda _: None),
        ]
        for name, header in HEADERS.items():
            rows += self._native_sensing(name, f"[:SENSe#]:{header}")
        return [Command(row.header.replace("[:SENSe#]:", "[SENSe#:]"), row.set, row.query) for row in rows]

    def _native_sensing(self, name: str, node: str) -> list[Command]:
        rows = [
            Command(f"{node}:RANGe[:UPPer]", lambda c: self._own_range(c, name), lambda _: self._plain_range(name)),
            Command(f"{node}:RANGe:AUTO", lambda c: self._set_auto(c, name), lambda _: self._auto(name)),
            Command(f"{node}:AZERo[:STATe]", lambda c: self._set_zero(c, name), lambda _: self._zero(name)),
        ]
        if name == "VOLT:AC":
            band = f"{node}:DETector:BANDwidth"
            return [*rows, Command(band, self._own_band, lambda _: f"{self._bandwidth_hz}")]
        rows.append(Command(f"{node}:NPLCycles", lambda c: self._own_nplc(c, name), lambda _: self._plain_nplc(name)))
        if name == "FRES":
            rows.append(Command(f"{node}:OCOMpensated", self._own_ocomp, lambda _: f"{self._offset_compensation:d}"))
        return rows

    def _function_name(self) -> str:
        return "VOLT:DC" if self._function == "VOLT" else self._function

    def _set_language(self, call: Call) -> None:
        language = call.text()
        if language not in LANGUAGES:
            raise ScpiFault(-224)
        self._language = language  # takes effect at the next power-on

    def _choose(self, call: Call) -> None:
        names = {"VOLT": "VOLT", "VOLT:DC": "VOLT", "VOLT:AC": "VOLT:AC", "RES": "RES", "FRES": "FRES"}
        name = names.get(call.text())
        if name is None:
            raise ScpiFault(-224)
        self._function = name
        self._to_idle()

    def _set_format(self, call: Call) -> None:
        self._format = call.choice("ASCii", "REAL", "SREal")

    def _set_order(self, call: Call) -> None:
        self._swapped = call.choice("NORMal", "SWAPped") == "SWAP"

    def _plain_range(self, name: str) -> str:
        return f"{self._settings[name].range_upper:g}"

    def _plain_nplc(self, name: str) -> str:
        return f"{self._settings[name].nplc:g}"

    def _own_range(self, call: Call, name: str) -> None:
        ranges = RANGES[name]
        words = {"MINimum": ranges[0], "MAXimum": ranges[-1], "DEFault": ranges[-1]}
        wanted = abs(call.number(UNITS[name], words))
        fitting = [upper for upper in ranges if wanted <= upper * 1.000001]
        if not fitting:
            raise ScpiFault(-222)
        self._change(name, range_upper=fitting[0], auto_range=False)

    def _own_nplc(self, call: Call, name: str) -> None:
        value = call.number(words={"MINimum": NPLC[0], "MAXimum": NPLC[1], "DEFault": 1.0})
        if not NPLC[0] <= value <= NPLC[1]:
            raise ScpiFault(-222)
        self._change(name, nplc=value)

    def _own_band(self, call: Call) -> None:
        value = call.number("HZ", {"MINimum": 3.0, "MAXimum": 300.0, "DEFault": 3.0})
        if round(value) not in BANDS_HZ:
            raise ScpiFault(-222)
        self._bandwidth_hz = round(value)
        self._to_idle()

    def _own_ocomp(self, call: Call) -> None:
        on = call.boolean()
        if on and self._settings["FRES"].range_upper > OCOM_UPPER_OHM:
            raise ScpiFault(-221)
        self._offset_compensation = on
        self._to_idle()

    def conversion_s(self) -> float:
        """As the common part's, with this family's bands."""
        if self._function == "VOLT:AC":
            return {3: 2.5, 30: 0.5, 300: 0.05}.get(self._bandwidth_hz, 2.5) + 0.005
        return super().conversion_s()

    def _native_read(self, call: Call) -> HeldReply:
        self._init(call)
        return self._native_fetch(call)

    def _native_fetch(self, _call: Call) -> HeldReply:
        if self._readings is None:
            raise ScpiFault(-230)
        return HeldReply(self._display, self.operations_end_s)

    def _display(self) -> str | bytes:
        """The last reading in the format that was chosen."""
        return self._format_values([float(self._readings[-1])] if self._readings else [])

    def _trace(self, call: Call) -> str | bytes:
        """TRAC:DATA? first, last, buffer, READ: readings of the present buffer."""
        if self._readings is None:
            raise ScpiFault(-230)
        first, last = round(call.number()), round(call.number(index=1))
        if not 1 <= first <= last <= len(self._readings):
            raise ScpiFault(-222)
        return self._format_values([float(text) for text in self._readings[first - 1 : last]])

    def _format_values(self, values: list[float]) -> str | bytes:
        if self._format == "ASC":
            return ",".join(f"{value:.9E}" for value in values)
        code = ("<" if self._swapped else ">") + f"{len(values)}" + ("d" if self._format == "REAL" else "f")
        return b"#0" + struct.pack(code, *values)
