"""Every sampler driver, and every other family that has a simulated dialogue, through a whole judged run.

The controller, the steps, the judgement and the records are the real ones; so are the drivers and the wires. A maker's
library without bytes is a stand-in module whose captures come from the simulated digitiser over a socket of its own.
Not here: the serial relay board (its relays 1 to 8 cannot carry the channel numbers of a matrix), and meters without
offset compensation (the sequences ask for it).
"""

import re
from pathlib import Path

import pytest
from family_bench import world_file
from vendor_standins import installed, ljm_module, nidaqmx_module, sounddevice_module, uldaq_module
from wired_world import WiredWorld

from drivers.shelf import start_simulated
from rig.description.places import packaged_fixtures
from rig.jobs.run_job import Request, run_job

USUAL_BENCH = packaged_fixtures() / "benches" / "simulated.toml"
LINKED = ("multimeter", "generator", "sampler", "axis", "encoder", "switch", "interlock", "climate")
SMALL_FRAME = {  # a key of the packaged switch -> the same relays, and the crosspoints, on a small frame's three cards
    "dummy_lines": """dummy_lines = [305, 306, 307, 308]
cards = [1, 2]
loopback = 301
lead_short = 302
check_resistor = 303
ratio_standard = 304
[switch.beyond.15]
meter_hi = 311
meter_lo = 312""",
    "step_pulses": "",
}
FAULT = '[part.faults]\nshorted_coil = "sin"\nshorted_tooth = 2\nshorted_turns = 8\nshort_ohm = 0.05\n'

# Rates of the stand-ins are some that the digitiser behind them has: 50 MHz over a whole number.
# name -> (families of the world, driver by role, keys of the bench's sampler, keys of the world's sampler)
BENCHES = {
    "scpi-digitiser, scpi-344xx, scpi-335xx, grbl, hmt-probe, scpi-switch": ({}, {}, {}, {}),
    "scope-rigol": (
        {"sampler": "DS1104Z"},
        {"sampler": "scope-rigol"},
        {"range_v": 5.0, "shunt_ohm": 10.0},  # eight bits: a shunt that makes the current more than a code
        {"shunt_ohm": 10.0, "noise_v": 0.02},
    ),
    "dmm6500, sdg, tmcl, modbus-probe": (
        {"multimeter": "DMM6500", "generator": "SDG2042X", "axis": "tmcl", "climate": "modbus"},
        {"multimeter": "dmm6500", "generator": "sdg", "axis": "tmcl", "climate": "modbus-probe"},
        {},
        {},
    ),
    "scpi-344xx 34410A, scpi-335xx 33220A": ({"multimeter": "34410A", "generator": "33220A"}, {}, {}, {}),
    "daq-switch": ({"switch": "34970A"}, {"switch": "daq-switch"}, {}, {}),
    "scpi-335xx DG822": ({"generator": "DG822"}, {}, {}, {}),
    "nidaqmx": ({}, {"sampler": "nidaqmx"}, {"link": "ni://Dev1"}, {}),
    "uldaq": ({}, {"sampler": "uldaq"}, {"link": "mcc://SIM01", "sample_rate_hz": 50e6 / 259}, {}),
    "labjack": ({}, {"sampler": "labjack"}, {"link": "labjack://ANY", "sample_rate_hz": 50e6 / 1294}, {}),
    "audio": (
        {},
        {"sampler": "audio"},
        {"link": "audio://hw:2,0", "sample_rate_hz": 50e6 / 261, "full_scale_v": 10.0},
        {},
    ),
}


def bench_file(folder: Path, links, clock, drivers, sampler_keys) -> Path:
    """The packaged bench with other drivers, on the wires of a simulated bench that is already served."""
    lines, section = [], ""
    for line in USUAL_BENCH.read_text(encoding="utf-8").splitlines():
        key = line.partition(" = ")[0]
        if line.startswith("["):
            section = line.strip("[]")
            lines.append(line)
            own = sampler_keys if section == "sampler" else {}
            keys = {"link": links[section], **own} if section in links else {}
            lines += [f"{k} = {v!r}".replace("'", '"') for k, v in keys.items()]
            continue
        if key == "driver" and section in drivers:
            line = f'driver = "{drivers[section]}"'
        if (section == "sampler" and key in sampler_keys) or key == "world":
            continue
        if drivers.get(section) == "daq-switch" and key in SMALL_FRAME:
            line = SMALL_FRAME[key]
        lines.append(f'clock = "{clock}"' if key == "holder" else line)
        if key == "holder":
            lines.append(line)
    file = folder / "bench.toml"
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return file


def slow_part(folder: Path) -> str:
    """The part at 5 kHz and 3.5 V: 40 kS/s a channel see no harmonics of 10 kHz, and total nulls would stay open."""
    source = next(path for path in (packaged_fixtures() / "parts").glob("*.toml") if "KX4-2207" in path.read_text())
    text = source.read_text(encoding="utf-8")
    text = re.sub(r"^frequency_hz = .*$", "frequency_hz = 5000.0", text, flags=re.MULTILINE)
    text = re.sub(r"^level_v_rms = .*$", "level_v_rms = 3.5", text, flags=re.MULTILINE)
    file = folder / "slow_part.toml"
    file.write_text(text, encoding="utf-8")
    return str(file)


def judged(folder: Path, name: str, *, shorted: bool, sequence: str = "quick_screen"):
    """The finished run on that bench."""
    families, drivers, sampler_keys, world_keys = BENCHES[name]
    world = world_file(folder, families)
    text = world.read_text(encoding="utf-8")
    extra = "".join(f"{key} = {value}\n" for key, value in world_keys.items())
    world.write_text(text.replace("[sampler]\n", f"[sampler]\n{extra}") + (FAULT if shorted else ""), encoding="utf-8")
    with start_simulated(world, speed="fast") as served:
        wired = WiredWorld(served.links["sampler"])
        modules = {
            "nidaqmx": nidaqmx_module(wired),
            "uldaq": uldaq_module(wired),
            "labjack__ljm": ljm_module(wired),
            "sounddevice": sounddevice_module(wired, on_demand=True, full_scale_v=10.0),
        }
        file = bench_file(folder, served.links, served.clock, drivers, sampler_keys)
        with wired, installed(labjack=ljm_module(wired), **modules):
            part = slow_part(folder) if name == "labjack" else "KX4-2207"
            return run_job(Request(sequence=sequence, part=part, serial="F-1", bench=str(file)))


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch):
    """Each run in a home of its own."""
    monkeypatch.setenv("ANGLEWRIGHT_HOME", str(tmp_path / "home"))


@pytest.mark.parametrize("name", BENCHES)
def test_good_part(tmp_path, name):
    """A good part is within limits, and nothing is said against the bench."""
    finished = judged(tmp_path, name, shorted=False)
    assert finished.judgement.outcome == "within limits", finished.judgement.reasons
    assert [reason.code for reason in finished.judgement.reasons] == []


@pytest.mark.parametrize("name", BENCHES)
def test_shorted_part(tmp_path, name):
    """Shorted turns put the part outside limits, by its ohms and by the null that the sampler read."""
    finished = judged(tmp_path, name, shorted=True)
    assert finished.judgement.outcome == "outside limits", finished.judgement.reasons
    failed = {line.result.measurand for line in finished.judgement.judged if line.verdict.value == "fail"}
    assert {"r20_match", "null_total_sin_v"} <= failed


@pytest.mark.slow
@pytest.mark.parametrize(("shorted", "outcome"), [(False, "within limits"), (True, "outside limits")])
def test_full_test_on_the_oscilloscope(tmp_path, shorted, outcome):
    """The certified sequence too, over eight bits and memory in pages."""
    assert judged(tmp_path, "scope-rigol", shorted=shorted, sequence="full_test").judgement.outcome == outcome
