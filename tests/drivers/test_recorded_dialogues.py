"""The same dialogue, recorded from an instrument or replayed from a file, line by line.

With `--bench FILE` the roles of that bench file are opened, each dialogue is written aside and renamed when it ended
well. Without it the recordings in fixtures/dialogues are replayed: one word that differs, or is left over, fails. The
recordings kept here came from the simulated bench, and say so in their heads.
"""

import json
from pathlib import Path

import pytest
from dialogue_recording import RecordingLink, ReplayLink

from drivers.link.urls import make_link
from drivers.shelf import open_driver

DIALOGUES = Path(__file__).parents[2] / "fixtures" / "dialogues"


def coil(meter):
    take = {"four_wire": True, "range_ohm": 100.0, "nplc": 1.0}
    first, second = meter.resistance_ohm(**take), meter.resistance_ohm(**take)
    assert first.range_upper == second.range_upper == 100.0


def sine(generator):
    generator.prepare_sine(frequency_hz=7000.0, level_v_rms=0.5)
    assert not generator.output_is_on()


def record(sampler):
    sampler.configure(ranges_v=(10.0, 10.0), sample_rate_hz=100e3, samples=100, channels=("exc_v", "exc_i"))
    sampler.arm()
    sampler.trigger()
    sampler.wait_captured()
    assert sampler.fetch().codes.shape == (2, 100)


def relays(switch):
    switch.open_all()
    assert switch.closed_channels() == ()


def turn(axis):
    axis.index()
    axis.move_to(16)
    axis.wait_stopped()
    assert axis.position_steps() == 16


def air(climate):
    assert 0.0 <= climate.read().humidity_pct <= 100.0


VERBS = {"multimeter": coil, "generator": sine, "sampler": record, "switch": relays, "axis": turn, "climate": air}
FILES = sorted(DIALOGUES.glob("*.jsonl"))


def head(file):
    return json.loads(file.read_text(encoding="utf-8").splitlines()[0])


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_a_recording_is_replayed_line_by_line(file):
    """Every word as it was said, every answer used, nothing left."""
    told = head(file)
    link = ReplayLink(file, told["role"])
    driver = open_driver(told["driver"], link, told["role"])
    driver.open()
    VERBS[told["role"]](driver)
    assert link.left() == 0


def test_every_role_that_speaks_has_a_recording():
    """And says where it came from."""
    heads = [head(file) for file in FILES]
    assert {told["role"] for told in heads} == set(VERBS)
    assert all(told["source"] in ("simulated", "instrument") and told["identity"] for told in heads)


def record_dialogue(role, driver_name, url, folder, source):
    """Writes <folder>/<driver>.jsonl, aside until it ended well. The file."""
    plain = open_driver(driver_name, url, role)
    plain.open()
    identity = plain.identity()
    plain.close()
    told = f"{identity.maker} {identity.model} {identity.serial} {identity.firmware}".strip()
    file = folder / f"{driver_name}.jsonl"
    link = RecordingLink(make_link(url, role), file, role=role, driver=driver_name, source=source, identity=told)
    driver = open_driver(driver_name, link, role)
    driver.open()
    VERBS[role](driver)
    link.keep()
    driver.close()
    return file


@pytest.mark.bench
@pytest.mark.parametrize("role", sorted(VERBS))
def test_a_dialogue_is_recorded_from_the_bench(role, request):
    """Only with --bench: the real instrument of that role."""
    name = request.config.getoption("--bench")
    if name is None:
        pytest.skip("no --bench FILE was given: NOT RUN on real instruments")
    from rig.description.benches import load_bench

    device = load_bench(name).devices().get(role)
    if device is None or device.link == "simulated":
        pytest.skip(f"bench {name} has no real {role}: NOT RUN")
    record_dialogue(role, device.driver, device.link, DIALOGUES, "instrument")


def test_recording_and_replaying_are_one_dialogue(tmp_path):
    """From the simulated bench: recorded, then replayed by the same verbs."""
    from plain_bench import served

    with served() as bench:
        for role, driver_name in (("multimeter", "scpi-344xx"), ("axis", "grbl"), ("climate", "hmt-probe")):
            file = record_dialogue(role, driver_name, bench.links[role], tmp_path, "simulated")
            test_a_recording_is_replayed_line_by_line(file)
