"""Who answers at a link, over real wires: every family is told by its own words, and nothing is switched by asking."""

from __future__ import annotations

import json
from concurrent.futures import ThreadPoolExecutor

import pytest
from family_bench import driver_names, world_file

from drivers.shelf import recognise, start_simulated
from rig.errors import UsageError

OTHERS = {
    "multimeter": "DMM6500",
    "generator": "SDG2042X",
    "sampler": "DS1104Z",
    "axis": "tmcl",
    "switch": "relay-board",
    "climate": "modbus",
}


def acts(log):
    """What a log has besides who was connected, in order."""
    events = [json.loads(line)["event"] for line in log.read_text().splitlines()]
    return [event for event in events if event != "client"]


SMALL_FRAME = {"switch": "34970A"}
MODBUS = {"switch": "modbus-relays", "interlock": "modbus-inputs"}
SLOW = [pytest.param(families, marks=pytest.mark.slow) for families in (OTHERS, MODBUS, SMALL_FRAME)]


@pytest.mark.parametrize("families", [{}, *SLOW], ids=["usual", "others", "modbus", "small frame"])
def test_every_family_is_recognised_and_asking_switches_nothing(tmp_path, families):
    """Driver by driver, both ways to the switch's box; the log has nothing that a bench left alone has not."""
    log = tmp_path / "log.jsonl"
    with start_simulated(world_file(tmp_path, families), log=log) as served, ThreadPoolExecutor(8) as pool:
        found = dict(zip(served.links, pool.map(recognise, served.links.values()), strict=True))
    wanted = driver_names(families)
    wanted["interlock"] = families.get("interlock", "scpi-switch")
    assert {role: one.driver for role, one in found.items()} == {role: wanted[role] for role in served.links}
    assert found["multimeter"].identity.serial.startswith("SIM")
    assert dict(found["switch"].options) == ({"relays": 8} if families in (OTHERS, MODBUS) else {})
    alone = tmp_path / "alone.jsonl"
    with start_simulated(world_file(tmp_path, families), log=alone):
        pass
    assert acts(log) == acts(alone)


def test_a_dead_link_is_told_and_an_impossible_one_refused():
    """Nobody at home is a finding; a link of no kind is a slip of the pen."""
    dead = recognise("tcp://127.0.0.1:9")
    assert dead.driver == "" and "can't connect" in dead.told
    with pytest.raises(UsageError, match="lpt1"):
        recognise("lpt1:")
