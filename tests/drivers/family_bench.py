"""A simulated bench of chosen families, with drivers opened by role, for tests."""

from contextlib import closing, contextmanager

from drivers.roles import Dwells
from drivers.shelf import open_driver, start_simulated
from rig.control.clock import BenchClock

DRIVER_OF = {
    "34465A": "scpi-344xx",
    "34401A": "scpi-344xx",
    "34410A": "scpi-344xx",
    "34461A": "scpi-344xx",
    "SDM3065X": "scpi-344xx",
    "DM3068": "scpi-344xx",
    "DMM6500": "dmm6500",
    "33511B": "scpi-335xx",
    "33220A": "scpi-335xx",
    "DG822": "scpi-335xx",
    "SDG2042X": "sdg",
    "DSOS404D": "scpi-digitiser",
    "DS1104Z": "scope-rigol",
    "grbl": "grbl",
    "tmcl": "tmcl",
    "34980A": "scpi-switch",
    "34970A": "daq-switch",
    "relay-board": "lcus",
    "hmt": "hmt-probe",
    "modbus": "modbus-probe",
    "modbus-relays": "modbus-relays",
    "modbus-inputs": "modbus-inputs",
}
KEYS = {
    "multimeter": "model",
    "generator": "model",
    "sampler": "model",
    "axis": "controller",
    "switch": "model",
    "climate": "probe",
    "interlock": "model",
}
USUAL = {
    "multimeter": "34465A",
    "generator": "33511B",
    "sampler": "DSOS404D",
    "axis": "grbl",
    "switch": "34980A",
    "climate": "hmt",
    "interlock": "34980A",
}


class Opened(dict):
    """Drivers by role."""

    __getattr__ = dict.__getitem__


def world_file(folder, families, wire="serial"):
    """A world with these families (role -> name); an encoder is on the axis."""
    lines = ["seed = 3"]
    for role, key in KEYS.items():
        lines += [f"[{role}]", f'{key} = "{families.get(role, USUAL[role])}"']
        lines += [f'wire = "{wire}"'] if role == "multimeter" else []
        lines += ["encoder = true"] if role == "axis" else []
    file = folder / "world.toml"
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return file


def driver_names(families):
    """Role -> name on the shelf."""
    names = {role: DRIVER_OF[families.get(role, usual)] for role, usual in USUAL.items()}
    if names["interlock"] == "scpi-switch":
        names["interlock"] = "scpi-switch-inputs"
    return names | {"encoder": "nd28x"}


@contextmanager
def family_bench(folder, families, *, wire="serial", speed="fast", faults=(), roles=None):
    """Drivers by role, opened; closed at the end."""
    file = world_file(folder, families, wire)
    with start_simulated(file, speed=speed, faults=faults) as served, closing(BenchClock(served.clock)) as clock:
        names = driver_names(families)
        drivers = Opened(
            {
                role: open_driver(names[role], url, role)
                for role, url in served.links.items()
                if roles is None or role in roles
            }
        )
        try:
            for driver in drivers.values():
                driver.open()
                if isinstance(driver, Dwells):
                    driver.sleep = clock.sleep
            yield drivers
        finally:
            for driver in drivers.values():
                driver.close()
