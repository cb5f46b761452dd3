"""Generators that the world may have: the 33500's words under other names, and the SDG's own.

Written from the makers' manuals, independently of the drivers: Agilent 33220A User's Guide ch. 4 (no SOURce node);
Rigol DG800 Programming Guide (unit of the level: the last one used at the panel, OUTP? answers ON or OFF, IMP, MOD);
Siglent SDG Series Programming Guide PG02-E04B (BSWV, OUTP, BTWV: header and units in the replies, no error queue).
"""

from __future__ import annotations

import math
import re

from drivers.simulated.instruments.generator import SOURCE_OHM, Generator
from drivers.simulated.instruments.scpi.words import Call, Command, ScpiFault, parse_number
from drivers.simulated.world.safety_chain import SafetyChain

NAMES = ("33511B", "33220A", "DG822", "SDG2042X")


class Generator33220(Generator):
    """One channel, and no SOURce node in any header."""

    identity = "Agilent Technologies,33220A,SIM00002,2.06-2.06-22-2"

    def __init__(self, chain: SafetyChain, load_ohm: float) -> None:
        super().__init__(chain, load_ohm)
        self.table = [
            Command(c.header.replace("[SOURce#:]", "").replace("OUTPut#", "OUTPut"), c.set, c.query)
            for c in self.table
            if not re.search(r"SUM|BPSK|FREQuency:MODE", c.header)
        ]


class GeneratorDg(Generator):
    """The unit of the level is what somebody last used at the panel: dBm here, or rms where the load is infinite."""

    identity = "Rigol Technologies,DG822,SIM00002,00.02.06.00.01"

    def __init__(self, chain: SafetyChain, load_ohm: float) -> None:
        super().__init__(chain, load_ohm)
        self._unit = "VRMS" if math.isinf(load_ohm) else "DBM"
        unknown = re.compile(r"OUTPut#\[:STATe\]|.*:(A|F|P|PW)M:STATe|.*(FSKey|BPSK):STATe|.*FREQuency:MODE")
        self.table = [c for c in self.table if not unknown.fullmatch(c.header)]
        self.table += [
            Command("OUTPut#[:STATe]", self._set_output, lambda _: "ON" if self._on else "OFF"),
            self._spoiling("[SOURce#:]MOD:STATe", "MOD"),
            Command("OUTPut#:IMPedance", self._set_load, self._load),
            Command("OUTPut#:SYNC[:STATe]", set=lambda _: None, query=lambda _: "ON"),
        ]


class GeneratorSdg(Generator):
    """Two-letter words of its own; what it does not know it ignores."""

    identity = "Siglent Technologies,SDG2042X,SIM00002,2.01.01.35R3"

    def __init__(self, chain: SafetyChain, load_ohm: float) -> None:
        super().__init__(chain, load_ohm)
        keep = ("*IDN", "*RST", "*OPC")
        self.table = [c for c in self.table if c.header in keep] + [
            Command("C#:BSWV", self._set_wave, self._wave),
            Command("C#:OUTP", self._set_out, self._out),
            Command("C#:BTWV", self._set_burst_state, lambda _: f"C1:BTWV STATE,{'ON' if self._burst else 'OFF'}"),
            Command("C#:MDWV", self._set_off, lambda _: "C1:MDWV STATE,OFF"),
            Command("C#:SWWV", self._set_off, lambda _: "C1:SWWV STATE,OFF"),
        ]

    def push(self, code: int, text: str) -> None:
        """No queue: a word that it does not know is ignored."""

    @staticmethod
    def _first_channel(call: Call) -> None:
        if call.suffixes != (1,):
            raise ScpiFault(-114)

    def _set_wave(self, call: Call) -> None:
        self._first_channel(call)
        for key, text in zip(call.args[::2], call.args[1::2], strict=False):
            self._set_field(key.upper(), text)
        self._apply(call.t_s)

    def _set_field(self, key: str, text: str) -> None:
        if key == "WVTP" and text.upper() != "SINE":
            raise ScpiFault(-224)
        if key == "FRQ":
            self._frequency_hz = min(max(parse_number(text.upper(), "HZ"), 1e-6), 40e6)
        elif key in ("AMP", "AMPVRMS"):
            level = parse_number(text.upper(), "V" if key == "AMP" else "VRMS")
            emf_vpp = self._emf(level, "VPP" if key == "AMP" else "VRMS")
            if 2e-3 <= emf_vpp <= 20.0:
                self._emf_vpp = emf_vpp
        elif key == "OFST":
            self._emf_offset_v = parse_number(text.upper(), "V") / self._share()

    def _wave(self, call: Call) -> str:
        self._first_channel(call)
        vpp, offset = self._in_unit(self._emf_vpp, "VPP"), self._emf_offset_v * self._share()
        fields = {
            "WVTP": "SINE",
            "FRQ": f"{self._frequency_hz:.10g}HZ",
            "PERI": f"{1.0 / self._frequency_hz:.6g}S",
            "AMP": f"{vpp:.4g}V",
            "AMPVRMS": f"{vpp / math.sqrt(8.0):.4g}Vrms",
            "OFST": f"{offset:.4g}V",
            "HLEV": f"{offset + vpp / 2:.4g}V",
            "LLEV": f"{offset - vpp / 2:.4g}V",
            "PHSE": "0",
        }
        return "C1:BSWV " + ",".join(f"{key},{value}" for key, value in fields.items())

    def _set_out(self, call: Call) -> None:
        self._first_channel(call)
        words = [word.upper() for word in call.args]
        if words[:1] in (["ON"], ["OFF"]):
            self._on = words.pop(0) == "ON"
        for key, text in zip(words[::2], words[1::2], strict=False):
            if key == "LOAD":
                self._load_ohm = math.inf if text == "HZ" else min(max(parse_number(text, "OHM"), 50.0), 1e5)
        self._apply(call.t_s)

    def _out(self, call: Call) -> str:
        self._first_channel(call)
        load = "HZ" if math.isinf(self._load_ohm) else f"{self._load_ohm:g}"
        return f"C1:OUTP {'ON' if self._on else 'OFF'},LOAD,{load},PLRT,NOR"

    def _set_burst_state(self, call: Call) -> None:
        self._first_channel(call)
        self._burst = call.text(1) == "ON"
        self._apply(call.t_s)

    def _set_off(self, call: Call) -> None:
        """Modulation and sweep are never on here."""
        self._first_channel(call)


def make_generator(chain: SafetyChain, load: str, model: str) -> Generator:
    """The simulated generator of a model's name (NAMES). load: the panel's setting, "hiz" or ohms."""
    load_ohm = math.inf if load == "hiz" else float(load)
    kinds = {"33220A": Generator33220, "DG822": GeneratorDg, "SDG2042X": GeneratorSdg}
    return kinds.get(model, Generator)(chain, load_ohm)


__all__ = ["NAMES", "SOURCE_OHM", "make_generator"]
