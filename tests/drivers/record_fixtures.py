"""Writes fixtures/dialogues anew from the simulated bench: `python tests/drivers/record_fixtures.py`."""

from importlib.metadata import version
from pathlib import Path

from plain_bench import served

from drivers import shelf
from drivers.dialogue.file import dialogue_text

DIALOGUES = Path(__file__).parents[2] / "fixtures" / "dialogues"
FAMILIES = (  # role, driver, what the simulated bench is made of
    ("multimeter", "scpi-344xx", {}),
    ("multimeter", "dmm6500", {"multimeter": "DMM6500"}),
    ("generator", "scpi-335xx", {}),
    ("generator", "sdg", {"generator": "SDG2042X"}),
    ("sampler", "scpi-digitiser", {}),
    ("axis", "grbl", {}),
    ("axis", "tmcl", {"axis": "tmcl"}),
    ("switch", "scpi-switch", {}),
    ("switch", "lcus", {"switch": "relay-board"}),
    ("interlock", "scpi-switch-inputs", {}),
    ("encoder", "nd28x", {}),
    ("climate", "hmt-probe", {}),
    ("climate", "modbus-probe", {"climate": "modbus"}),
)


def record_family(driver: str, folder: Path) -> Path:
    """The dialogue of this driver with its simulated instrument, as a file of the folder."""
    role, _, families = next(row for row in FAMILIES if row[1] == driver)
    with served(**families) as bench:
        recorded = shelf.record(driver, bench.links[role], role, simulated=True, program=version("anglewright"))
    if recorded.fault:
        raise RuntimeError(f"{driver}: {recorded.fault}")
    file = folder / f"{driver}.jsonl"
    file.write_text(dialogue_text(recorded.head, recorded.events, "", recorded.t_s), encoding="utf-8")
    return file


if __name__ == "__main__":
    for _, name, _ in FAMILIES:
        print(record_family(name, DIALOGUES))
