"""A bench file by asking: from links over real wires to a file that opens, whole or not at all."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from drivers.shelf import SimulatedBench, start_simulated
from rig.cli.main import cli
from rig.description.benches import load_bench
from rig.errors import UsageError


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("ANGLEWRIGHT_HOME", str(tmp_path / "home"))
    monkeypatch.chdir(tmp_path)
    return tmp_path / "home"


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SimulatedBench]:
    """A simulated bench without an encoder: its serial ports are recognised soon."""
    world = tmp_path_factory.mktemp("world") / "plain.toml"
    world.write_text("seed = 5\n", encoding="utf-8")
    with start_simulated(world) as one:
        yield one


def links(served: SimulatedBench) -> list[str]:
    words = []
    for url in served.links.values():
        words += ["--tcp", url.removeprefix("tcp://")] if url.startswith("tcp") else ["--link", url]
    return words


def new(*words: str, typed: str = "") -> Result:
    return CliRunner().invoke(cli, ["bench", "new", "shop_1", "--no-search", *words], input=typed)


GAIN = ("--answer", "generator.amplifier_gain=2.0")


def test_a_bench_file_made_from_what_answers_opens_the_bench(served: SimulatedBench, home: Path) -> None:
    """Every role from its own words, serials entered, the interlock on the box's second way; check opens it."""
    made = new(
        *links(served), "--yes", *GAIN, "--answer", f"clock={served.clock}", "--answer", "sampler.loopback_days=1"
    )
    assert made.exit_code == 0, made.output
    file = load_bench(str(home / "benches" / "shop_1.toml"))
    assert {role: device.link for role, device in file.devices().items()} == dict(served.links)
    assert file.interlock.driver == "scpi-switch-inputs" and file.multimeter.serial.startswith("SIM")
    assert file.generator.amplifier_gain == 2.0 and file.sampler.loopback_days == 1
    assert made.stdout == (home / "benches" / "shop_1.toml").read_text()
    checked = CliRunner().invoke(cli, ["bench", "check", "shop_1", "--json"])
    assert checked.exit_code == 0, checked.output
    assert {row["role"] for row in json.loads(checked.stdout)["instruments"]} == set(served.links)


def test_typed_answers_count_and_a_wrong_one_is_asked_again(served: SimulatedBench, home: Path) -> None:
    """Empty lines take the proposal; "axis" is left out by none; a word where a number belongs is asked once more."""
    words = ("--json", "--answer", "axis.link=none", "--answer", f"clock={served.clock}")
    made = new(*links(served), *words, typed="Bench one\n\n\n" + "\n" * 2 + "fifty\n60\n" + "\n" * 60)
    assert made.exit_code == 0, made.output
    told = json.loads(made.stdout)
    assert told["bench"]["title"] == "Bench one" and told["bench"]["axis"] is None
    assert told["bench"]["multimeter"]["line_hz"] == 60.0 and told["simulated"]
    assert "'fifty' won't do" in made.stderr


def test_input_that_ends_early_leaves_nothing(served: SimulatedBench, home: Path) -> None:
    """Status 2, the question named, no file."""
    made = new(*links(served), typed="Bench one\n\n")
    assert made.exit_code == 2 and "ended at holder" in made.stderr and made.stdout == ""
    assert not list(home.rglob("*.toml"))


def test_nothing_found_has_to_be_answered_even_with_yes(home: Path) -> None:
    """A multimeter can't be left at a default that nobody knows."""
    made = new("--yes")
    assert made.exit_code == 2 and "multimeter.link" in made.stderr
    assert not list(home.rglob("*.toml"))


def test_an_answer_to_no_key_is_refused_with_the_nearest_and_leaves_nothing(served: SimulatedBench, home: Path) -> None:
    """The strict reader has the last word, and the file is not there."""
    made = new(*links(served), "--yes", "--answer", "sampler.shunt_ohms=1")
    assert made.exit_code == 2 and "'shunt_ohm'" in made.stderr and "Nothing was written" in made.stderr
    assert not [path for path in home.rglob("*") if path.is_file()]
    made = new(*links(served), "--yes", "--answer", "sampler.shunt_ohm=little")
    assert made.exit_code == 2 and "little" in made.stderr


def test_another_file_is_never_written_over(served: SimulatedBench, home: Path) -> None:
    """Its text stays as it was, also when it appears while questions are asked."""
    path = home / "benches" / "shop_1.toml"
    path.parent.mkdir(parents=True)
    path.write_text("# mine\n")
    made = new(*links(served), "--yes")
    assert made.exit_code == 2 and "is there already" in made.stderr
    assert path.read_text() == "# mine\n"


def test_hands_fill_what_is_not_there_and_the_bench_goes_from_its_file_to_a_report(home: Path) -> None:
    """Meter, generator and a two-channel oscilloscope answer: the rest is a person's."""
    with start_simulated("tier_a", speed="fast") as bench:
        words = [w for role in ("multimeter", "generator", "sampler") for w in ("--link", bench.links[role])]
        by_hand = {"switch": "hand", "interlock": "hand-attends", "climate": "hand-thermometer"}
        for role, driver in by_hand.items():  # the simulated person stands at a link in place of the terminal
            words += ["--answer", f"{role}.link={bench.links[role]}", "--answer", f"{role}.driver={driver}"]
        words += ["--answer", f"clock={bench.clock}", "--answer", "sampler.range_v=5", *GAIN]
        made = new(*words, "--answer", "sampler.current_range_v=0.2", "--yes")
        assert made.exit_code == 0, made.output
        assert load_bench("shop_1").holder == "hand_pins" and load_bench("shop_1").attended_only
        checked = CliRunner().invoke(cli, ["bench", "check", "shop_1", "--json"])
        assert checked.exit_code == 0 and "hand_test" in checked.output, checked.output
        words = ["run", "hand_test", "--bench", "shop_1", "--part", "KX4-2207-S", "--serial", "T-1", "--json"]
        run = CliRunner().invoke(cli, words)
    assert run.exit_code == 0, run.output
    document = json.loads(run.stdout)
    assert document["outcome"] == "within limits" and Path(document["files"]["certificate"]).is_file()


def test_without_a_switch_or_an_interlock_the_person_is_proposed_but_never_before_a_motor(home: Path) -> None:
    """--yes takes the hands where nothing answered; an axis needs guard and emergency stop that are read."""
    links = ("multimeter.link=tcp://127.0.0.1:1", "multimeter.driver=scpi-344xx", "generator.link=tcp://127.0.0.1:2")
    more = ("generator.driver=scpi-335xx", "sampler.link=tcp://127.0.0.1:3", "sampler.driver=scope-rigol")
    words = [w for answer in (*links, *more) for w in ("--answer", answer)]
    made = new(*words, "--yes")
    assert made.exit_code == 0, made.output
    file = load_bench("shop_1")
    assert file.switch.driver == "hand" and file.interlock.driver == "hand-attends" and file.climate is None
    motor = [*words, "--answer", "axis.link=serial:///dev/ttyUSB0", "--answer", "axis.driver=grbl"]
    refused = CliRunner().invoke(cli, ["bench", "new", "shop_2", "--no-search", *motor, "--yes"])
    assert refused.exit_code == 2 and "no interlock that is read" in refused.output
    assert not (home / "benches" / "shop_2.toml").exists()


def test_a_small_frame_is_wired_as_the_page_says_until_the_file_says_otherwise(home: Path) -> None:
    """Crosspoints on two cards, standards and the core's clip on the third; a crosspoint that is not there is told."""
    roles = {"multimeter": "scpi-344xx", "generator": "scpi-335xx", "sampler": "scope-rigol", "switch": "daq-switch"}
    answers = [f"{role}.{key}" for n, (role, driver) in enumerate(roles.items(), start=1)
               for key in (f"link=tcp://127.0.0.1:{n}", f"driver={driver}")]  # fmt: skip
    made = new(*(word for answer in answers for word in ("--answer", answer)), "--answer", "holder=adapter_8", "--yes")
    assert made.exit_code == 0, made.output
    switch = load_bench("shop_1").switch
    assert (switch.channel("meter_hi", 1), switch.channel("sin_hi", 3), switch.channel("cos_lo", 8)) == (111, 213, 248)
    assert (switch.channel("meter_lo", 15), switch.loopback, switch.dummy_lines) == (312, 301, None)
    with pytest.raises(UsageError, match="no relay joins row exc_hi and column 9"):
        switch.channel("exc_hi", 9)
