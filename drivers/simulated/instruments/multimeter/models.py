"""Multimeters that the world may have, a row each: who they say they are, and which words they do not know.

Written from the makers' manuals (HP 34401A User's Guide ch. 4; Agilent 34410A Programmer's Reference; Keysight
Truevolt Guide; Siglent SDM3065X remote manual; Rigol DM3068 Programming Guide), independently of the drivers. The
DMM6500's native set is a file of its own. Figures with a dagger are from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

from drivers.simulated.instruments.multimeter.bench_meter import BenchMeter
from drivers.simulated.instruments.multimeter.dmm6500 import Dmm6500
from drivers.simulated.instruments.multimeter.scpi_344xx import Multimeter
from drivers.simulated.instruments.scpi.words import Call, Command, Result, ScpiFault
from drivers.simulated.interfaces import WorldInterface


@dataclass(frozen=True)
class MeterModel:
    """lacks: header nodes that this model does not know."""

    identity: str
    lacks: tuple[str, ...] = ()
    needs_set: str = ""  # a command set that has to be chosen before its 34401 words are understood


MODELS = {
    "34401A": MeterModel("HEWLETT-PACKARD,34401A,SIM00001,11-5-2", ("OCOMpensated", "ABORt", "AC:BANDwidth")),
    "34410A": MeterModel("Agilent Technologies,34410A,SIM00001,2.35-2.35-0.09-46-09", ("ROUTe",)),
    "34461A": MeterModel("Keysight Technologies,34461A,SIM00001,A.03.00", ("OCOMpensated",)),
    "34465A": MeterModel("Keysight Technologies,34465A,SIM00001,SIM-1.0"),
    "SDM3065X": MeterModel("Siglent Technologies,SDM3065X,SIM00001,3.01.01.10", ("OCOMpensated", "BANDwidth")),
    "DM3068": MeterModel(
        "Rigol Technologies,DM3068,SIM00001,01.01.00.01.11", ("OCOMpensated", "ABORt", "AC:BANDwidth"), "AGILENT"
    ),
}
DMM6500 = "DMM6500"
NAMES = (*MODELS, DMM6500)


class ModelMultimeter(Multimeter):
    """A multimeter of one of the rows."""

    def __init__(self, world: WorldInterface, model: MeterModel) -> None:
        super().__init__(world)
        self.identity = model.identity
        self._model = model
        self._set = ""
        self.table = [c for c in self.table if not any(word in c.header for word in model.lacks)]
        if model.needs_set:
            self.table.append(Command("CMDSET", self._choose_set, lambda _: self._set or "RIGOL"))

    def _choose_set(self, call: Call) -> None:
        self._set = call.choice("RIGOL", "AGILENT", "FLUKE")

    def execute(self, header: str, query: bool, call: Call) -> Result:
        """Words of the 34401 are unknown until their set has been chosen."""
        plain = header.startswith("*") or header in ("CMDSET", "SYST:ERR", "SYSTEM:ERROR", "SYST:REM")
        if self._model.needs_set and self._set != self._model.needs_set and not plain:
            raise ScpiFault(-113, header)
        return super().execute(header, query, call)


def make_multimeter(world: WorldInterface, model: str) -> BenchMeter:
    """The simulated multimeter of a model's name (NAMES)."""
    return Dmm6500(world) if model == DMM6500 else ModelMultimeter(world, MODELS[model])
