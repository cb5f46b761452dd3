"""A simulated bench in this process, on real wires, whose world is plain: every right value is known to the digit."""

import sys
import threading
from contextlib import contextmanager
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "simulated"))

from dialogue_bench import PlainWorld, silent
from family_bench import KEYS, Opened, driver_names

from drivers.shelf import open_driver
from drivers.simulated.bench import Wiring
from drivers.simulated.wires.clock import BenchTime
from drivers.simulated.wires.server import Server
from drivers.simulated.world.safety_chain import SafetyChain
from drivers.simulated.worldfile.keys import WorldFile
from drivers.simulated.worldfile.wire_fault import parse_fault


class Served:
    """links: role -> address; gates: role -> its faults; world: what the instruments were told."""

    def __init__(self, families, faults, wire, world, fast):
        sections = {role: {key: families[role]} for role, key in KEYS.items() if role in families}
        sections.setdefault("multimeter", {})["wire"] = wire
        sections.setdefault("axis", {})["encoder"] = True
        rows = tuple(parse_fault(fault).model_dump() for fault in faults)
        file = WorldFile.model_validate({**sections, "faults_of_wire": rows, "seed": 7})
        self.world = world or PlainWorld()
        self.chain = SafetyChain(self.world, silent)
        self.server = Server(BenchTime(fast=fast), self.chain, silent, lambda: True)
        wiring = Wiring(self.server, file, self.world, self.chain, silent)
        self.links, self.gates = wiring.links, wiring.gates
        self._thread = threading.Thread(target=self.server.serve, daemon=True)
        self._thread.start()

    def close(self):
        self.server.stop()
        self._thread.join(5.0)
        self.server.close()


@contextmanager
def served(*faults, wire="tcp", world=None, fast=True, **families):
    """The bench's wires, no driver yet."""
    bench = Served(families, faults, wire, world, fast)
    try:
        yield bench
    finally:
        bench.close()


@contextmanager
def plain_bench(*faults, roles, wire="tcp", world=None, fast=True, options=None, **families):
    """(bench, drivers by role), opened. faults as on the command line: "generator:late:nth=3:value=0.5"."""
    with served(*faults, wire=wire, world=world, fast=fast, **families) as bench:
        names = driver_names(families)
        drivers = Opened(
            {role: open_driver(names[role], bench.links[role], role, **(options or {}).get(role, {})) for role in roles}
        )
        try:
            for driver in drivers.values():
                driver.open()
            yield bench, drivers
        finally:
            for driver in drivers.values():
                driver.close()
