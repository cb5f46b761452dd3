"""The words of a function generator of the 33500 class: the sine, its level and what the level means.

Written from the maker's manual: Keysight 33500B Series Operating and Service Guide, "SCPI Programming Reference"
(APPLy, BURSt, FREQuency, FUNCtion, OUTPut, PHASe, VOLTage, the STATe of sweep and modulations). The source is 50 ohm;
the load setting only rescales what is shown: a change of OUTP:LOAD leaves the EMF as it is and the shown level follows.
Levels are refused beyond 10 V peak open-circuit and 2 mVpp. A burst without trigger gives no signal, and neither does a
swept or modulated sine here. Figures with a dagger: from memory.
"""

from __future__ import annotations

import math

from drivers.simulated.instruments.scpi.dialogue import ScpiInstrument
from drivers.simulated.instruments.scpi.words import Call, Command, ScpiFault, parse_number
from drivers.simulated.world.safety_chain import SafetyChain

SOURCE_OHM = 50.0
FREQUENCY_HZ = (1e-6, 30e6)
EMF_VPP = (2e-3, 20.0)  # dagger: 1 mVpp to 10 Vpp into 50 ohm
LOAD_OHM = (1.0, 1e4)
SPOILING = ("SWEep", "AM", "FM", "PM", "PWM", "FSKey", "BPSK", "SUM")  # what makes something else of a sine
_WORDS = {"MINimum": -math.inf, "MAXimum": math.inf}


class Generator(ScpiInstrument):
    """One channel. `load_ohm` is the panel's state at start-up (inf: high impedance), as somebody left it."""

    identity = "Agilent Technologies,33511B,SIM00002,SIM-1.0"

    def __init__(self, chain: SafetyChain, load_ohm: float = SOURCE_OHM) -> None:
        super().__init__()
        self._chain = chain
        self._on = False
        self._power_on(load_ohm)
        self.table += self._rows()

    def _power_on(self, load_ohm: float) -> None:
        self._frequency_hz = 1000.0
        self._load_ohm = load_ohm
        self._unit = "VPP"
        self._emf_vpp = 0.2
        self._emf_offset_v = 0.0
        self._phase_deg = 0.0
        self._burst = False
        self._on = False
        self.spoiled_by: set[str] = set()
        self._mode = "CW"

    def reset(self, t_s: float, /) -> None:
        self._power_on(SOURCE_OHM)
        self._apply(t_s)

    # level -------------------------------------------------------------------------------------------------
    def _share(self) -> float:
        """Terminal volts into the stated load over EMF."""
        return 1.0 if math.isinf(self._load_ohm) else self._load_ohm / (self._load_ohm + SOURCE_OHM)

    def _in_unit(self, emf_vpp: float, unit: str) -> float:
        vpp = emf_vpp * self._share()
        v_rms = vpp / math.sqrt(8.0)
        if unit == "VPP":
            return vpp
        return v_rms if unit == "VRMS" else 10.0 * math.log10(v_rms**2 / self._load_ohm / 1e-3)

    def _emf(self, level: float, unit: str) -> float:
        if unit == "DBM":
            level, unit = math.sqrt(10.0 ** (level / 10.0) * 1e-3 * self._load_ohm), "VRMS"
        vpp = level * math.sqrt(8.0) if unit == "VRMS" else level
        return vpp / self._share()

    def _apply(self, t_s: float) -> None:
        on = self._on and not self._burst and not self.spoiled_by and self._mode == "CW"
        self._chain.generator_set(t_s, on=on, frequency_hz=self._frequency_hz, open_circuit_v_peak=self._emf_vpp / 2.0)

    def _rows(self) -> list[Command]:
        s = "[SOURce#:]"
        fixed = "VOLTage[:LEVel][:IMMediate]"
        return [
            Command(f"{s}FREQuency[:CW][:FIXed]", self._set_frequency, lambda c: self._limits(c, *self._frequencies())),
            Command(f"{s}FUNCtion[:SHAPe]", self._set_function, lambda _: "SIN"),
            Command(f"{s}{fixed}[:AMPLitude]", self._set_level, lambda c: self._limits(c, *self._levels())),
            Command(f"{s}{fixed}:OFFSet", self._set_offset, lambda c: self._limits(c, *self._offsets())),
            Command(f"{s}VOLTage:UNIT", self._set_unit, lambda _: self._unit),
            Command(f"{s}VOLTage:RANGe:AUTO", set=lambda _: None, query=lambda _: "1"),
            Command(f"{s}PHASe[:ADJust]", self._set_phase, lambda _: _number(self._phase_deg)),
            Command(f"{s}PHASe:SYNChronize", set=lambda _: None),
            Command(f"{s}BURSt:STATe", self._set_burst, lambda _: f"{int(self._burst)}"),
            *(self._spoiling(f"{s}{word}:STATe", word) for word in SPOILING),
            Command(f"{s}FREQuency:MODE", self._set_mode, lambda _: self._mode),
            Command(f"{s}APPLy:SINusoid", set=self._apply_sine),
            Command(f"{s}APPLy", query=self._apply_query),
            Command("OUTPut#[:STATe]", self._set_output, lambda _: f"{int(self._on)}"),
            Command("OUTPut#:LOAD", self._set_load, self._load),
            Command("OUTPut#:POLarity", self._set_polarity, lambda _: "NORM"),
            Command("OUTPut:SYNC[:STATe]", set=lambda _: None, query=lambda _: "1"),
            Command("UNIT:ANGLe", set=self._set_angle, query=lambda _: "DEG"),
        ]

    def _one(self, call: Call) -> None:
        if any(suffix != 1 for suffix in call.suffixes):
            raise ScpiFault(-114)
        call.only(1)

    def _limits(self, call: Call, now: float, low: float, high: float) -> str:
        """A query with an optional MIN or MAX."""
        self._one(call)
        if not call.args:
            return _number(now)
        return _number(low if call.choice("MINimum", "MAXimum") == "MIN" else high)

    def _frequencies(self) -> tuple[float, float, float]:
        return (self._frequency_hz, *FREQUENCY_HZ)

    def _levels(self) -> tuple[float, float, float]:
        low, high = EMF_VPP[0], EMF_VPP[1] - 2.0 * abs(self._emf_offset_v)
        return (
            self._in_unit(self._emf_vpp, self._unit),
            self._in_unit(low, self._unit),
            self._in_unit(high, self._unit),
        )

    def _offsets(self) -> tuple[float, float, float]:
        room = (EMF_VPP[1] - self._emf_vpp) / 2.0 * self._share()
        return (self._emf_offset_v * self._share(), -room, room)

    # setting -----------------------------------------------------------------------------------------------
    def _within(self, value: float, low: float, high: float) -> float:
        """Clipped as the instrument does it, with -222; MIN and MAX arrive as infinities and are no error."""
        clipped = min(max(value, low), high)
        slack = 1e-9 * max(abs(low), abs(high))
        if math.isfinite(value) and abs(value - clipped) > slack:
            side = "upper" if value > high else "lower"
            self.push(-222, f"Data out of range; value clipped to {side} limit")
        return clipped

    def _set_frequency(self, call: Call) -> None:
        self._one(call)
        self._frequency_hz = self._within(call.number("HZ", _WORDS), *FREQUENCY_HZ)
        self._apply(call.t_s)

    def _set_function(self, call: Call) -> None:
        self._one(call)
        call.choice("SINusoid")

    def _set_level(self, call: Call) -> None:
        self._one(call)
        self._level(call, 0)
        self._apply(call.t_s)

    def _level(self, call: Call, index: int) -> None:
        unit, text = self._unit, call.text(index)
        for name in ("VPP", "VRMS", "DBM"):
            if text.endswith(name):
                unit, text = name, text[: -len(name)]
                text += "V" if name != "DBM" and text[-1:].isalpha() else ""
        if unit == "DBM" and math.isinf(self._load_ohm):
            raise ScpiFault(-221, "dBm is not possible with an infinite load")
        words = {"MIN": -math.inf, "MINIMUM": -math.inf, "MAX": math.inf, "MAXIMUM": math.inf}
        value = words[text] if text in words else parse_number(text, "V")
        low, high = (self._in_unit(vpp, unit) for vpp in (EMF_VPP[0], EMF_VPP[1] - 2.0 * abs(self._emf_offset_v)))
        self._emf_vpp = self._emf(self._within(value, low, high), unit)

    def _set_offset(self, call: Call) -> None:
        self._one(call)
        self._offset(call, 0)

    def _offset(self, call: Call, index: int) -> None:
        _, low, high = self._offsets()
        self._emf_offset_v = self._within(call.number("V", _WORDS, index), low, high) / self._share()

    def _set_unit(self, call: Call) -> None:
        self._one(call)
        unit = call.choice("VPP", "VRMS", "DBM")
        if unit == "DBM" and math.isinf(self._load_ohm):
            raise ScpiFault(-221, "dBm is not possible with an infinite load")
        self._unit = unit

    def _set_load(self, call: Call) -> None:
        self._one(call)
        value = call.number("OHM", {"INFinity": math.inf, "MINimum": LOAD_OHM[0], "MAXimum": LOAD_OHM[1]})
        self._load_ohm = value if math.isinf(value) or value >= 9.9e37 else self._within(value, *LOAD_OHM)
        if value >= 9.9e37:
            self._load_ohm = math.inf
        if math.isinf(self._load_ohm) and self._unit == "DBM":
            self._unit = "VPP"
            self.push(-221, "Settings conflict; infinite load has changed the unit from dBm to Vpp")

    def _load(self, call: Call) -> str:
        self._one(call)
        if call.args:
            return _number(LOAD_OHM[0] if call.choice("MINimum", "MAXimum") == "MIN" else LOAD_OHM[1])
        return _number(9.9e37 if math.isinf(self._load_ohm) else self._load_ohm)

    def _set_output(self, call: Call) -> None:
        self._one(call)
        self._on = call.boolean()
        self._apply(call.t_s)

    def _set_polarity(self, call: Call) -> None:
        self._one(call)
        call.choice("NORMal")

    def _set_angle(self, call: Call) -> None:
        call.choice("DEGree")

    def _set_phase(self, call: Call) -> None:
        self._one(call)
        self._phase_deg = self._within(call.number("DEG", {"MINimum": -360.0, "MAXimum": 360.0}), -360.0, 360.0)

    def _set_burst(self, call: Call) -> None:
        self._one(call)
        self._burst = call.boolean()
        self._apply(call.t_s)

    def _spoiling(self, header: str, word: str) -> Command:
        """On and off of a sweep or a modulation."""

        def switch(call: Call) -> None:
            self._one(call)
            self.spoiled_by = self.spoiled_by | {word} if call.boolean() else self.spoiled_by - {word}
            self._apply(call.t_s)

        return Command(header, switch, lambda _: f"{int(word in self.spoiled_by)}")

    def _set_mode(self, call: Call) -> None:
        self._one(call)
        self._mode = {"FIXED": "CW", "FIX": "CW"}.get(mode := call.choice("CW", "FIXed", "SWEep", "LIST"), mode)
        self._apply(call.t_s)

    def _apply_sine(self, call: Call) -> None:
        call.only(3)
        if any(suffix != 1 for suffix in call.suffixes):
            raise ScpiFault(-114)
        self._emf_offset_v, self._burst, self.spoiled_by, self._mode = 0.0, False, set(), "CW"
        if call.args:
            words = {**_WORDS, "DEFault": 1000.0}
            self._frequency_hz = self._within(call.number("HZ", words), *FREQUENCY_HZ)
        if len(call.args) > 1 and call.text(1) not in ("DEF", "DEFAULT"):
            self._level(call, 1)
        if len(call.args) > 2 and call.text(2) not in ("DEF", "DEFAULT"):
            self._offset(call, 2)
        self._on = True
        self._apply(call.t_s)

    def _apply_query(self, call: Call) -> str:
        self._one(call)
        offset = self._emf_offset_v * self._share()
        level = self._in_unit(self._emf_vpp, self._unit)
        return f'"SIN {_number(self._frequency_hz)},{_number(level)},{_number(offset)}"'


def _number(value: float) -> str:
    return f"{value:+.14E}"
