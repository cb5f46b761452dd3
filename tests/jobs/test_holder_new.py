"""A holder file taught by hands: pins touched over real wires, one marked turn, whole or not at all."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from rig.cli.main import cli
from rig.description.holders import load_holder
from rig.jobs.bench.holder import Touch, _fault
from sequences.teaching import Joined

CROSSED = {"exc_hi": 4, "exc_lo": 3, "sin_hi": 2, "sin_lo": 1}
NO_AXIS = ("--answer", "axis.mark=none")


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("ANGLEWRIGHT_HOME", str(tmp_path / "home"))
    monkeypatch.chdir(tmp_path)
    return tmp_path / "home"


def world(folder: Path, text: str) -> str:
    path = folder / "hands.toml"
    path.write_text(f"seed = 3\n{text}\n", encoding="utf-8")
    return str(path)


def new(*words: str, typed: str = "", part: str = "KX4-2207") -> Result:
    return CliRunner().invoke(cli, ["run", "teach", "mine", "--part", part, *words], input=typed)


def without(*pins: int) -> list[str]:
    return [word for pin in pins for word in ("--answer", f"pin.{pin}=none")]


def test_a_crossed_adapter_is_taught_by_touches_and_then_measures_its_part(tmp_path: Path, home: Path) -> None:
    """Each pin is on the column where the world put it; the part's pin map holds through the new file."""
    crossed = world(tmp_path, "[holder.pins]\n" + "\n".join(f"{name} = {pin}" for name, pin in CROSSED.items()))
    made = new("--world", crossed, "--json", *NO_AXIS, typed="\n" * 40)
    assert made.exit_code == 0, made.output
    told = json.loads(made.stdout)
    assert told["simulated"] and told["path"] == str(home / "holders" / "mine.toml") and told["axis"] is None
    holder = load_holder("mine")
    assert holder.channels == {"1": 4, "2": 3, "3": 2, "4": 1, "5": 5, "6": 6, "7": 7, "8": 8, "core": 15}
    assert holder.lead_ohm == pytest.approx(0.13, abs=0.02) and "SIMULATED" in Path(told["path"]).read_text()
    words = ["run", "quick_screen", "--part", "KX4-2207", "--serial", "S-1", "--world", crossed, "--holder", "mine"]
    run = json.loads(CliRunner().invoke(cli, [*words, "--json"]).stdout)
    assert run["reasons"] == []
    assert next(r for r in run["results"] if r["measurand"] == "r20_exc")["estimate"] == pytest.approx(9.0, rel=0.01)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('[holder]\nbridged_leads = ["exc_hi", "sin_lo"]', "close together: leads bridged"),
        ('[holder]\nbroken_lead = "exc_hi"', "no column closes: a poor touch, a broken lead"),
    ],
)
def test_a_faulty_adapter_is_told_and_asked_again(tmp_path: Path, home: Path, text: str, told: str) -> None:
    """What the meter saw stands in the message; input that ends there leaves nothing."""
    made = new("--world", world(tmp_path, text), *NO_AXIS, typed="\n" * 4)
    assert made.exit_code == 2 and told in made.stderr and "ended at pin.1" in made.stderr
    assert not list(home.rglob("*.toml"))


def test_a_clip_on_another_column_than_told_is_found_out(home: Path) -> None:
    """Nothing closes, and the message names the column that was answered."""
    made = new(*NO_AXIS, "--answer", "clip.column=14", typed="\n" * 3)
    assert made.exit_code == 2 and "the clip is not on column 14" in made.stderr
    assert not list(home.rglob("*.toml"))


def test_a_clip_on_no_column_of_the_matrix_is_refused(home: Path) -> None:
    """Before anything is touched, with the columns there are."""
    made = new(*NO_AXIS, "--answer", "clip.column=17", typed="\n" * 3)
    assert made.exit_code == 2 and "columns 1 to 16" in made.stderr and "pin.1" not in made.stderr


def test_a_pin_that_an_adapter_lacks_is_left_out_and_the_datum_found_by_turning(home: Path) -> None:
    """The angle is the sum of the turns, on whole steps; the marked turn found the index again."""
    datum = ("--answer", "datum=dowel", "--answer", "datum.turn.1=90", "--answer", "datum.turn.2=-1.0")
    made = new("--json", *without(2, 3, 4, 5, 6, 7, 8), *datum, typed="\n" * 40)
    assert made.exit_code == 0, made.output
    told = json.loads(made.stdout)
    assert told["holder"]["channels"] == {"1": 1, "core": 15} and told["holder"]["datum"] == "dowel"
    assert told["holder"]["index_to_datum_deg"] == pytest.approx((800 - 9) * 360 / 3200)
    assert told["axis"] == {"way": "ccw", "turns": 1.0, "microsteps": 16, "index_steps": told["axis"]["index_steps"]}
    assert abs(told["axis"]["index_steps"]) <= 1
    assert "left without a channel" in made.stderr


@pytest.mark.parametrize(
    ("words", "text", "told"),
    [
        (("axis.way=cw", "axis.turns=1"), "", "clockwise"),
        (("axis.way=ccw", "axis.turns=2"), "", "axis.microsteps = 8"),
        (("axis.way=ccw", "axis.turns=1"), "[axis]\nlost_at_deg = 90\nlost_deg = 7.2", "steps off after one turn"),
    ],
)
def test_an_axis_that_turns_wrong_ends_the_teaching(
    tmp_path: Path, home: Path, words: tuple[str, ...], text: str, told: str
) -> None:
    """Status 2, what to correct, nothing written, no pin asked."""
    answers = [word for answer in words for word in ("--answer", answer)]
    made = new("--world", world(tmp_path, text), *answers, typed="\n")
    assert made.exit_code == 2 and told in made.stderr and "pin.1" not in made.stderr
    assert not list(home.rglob("*.toml"))


def test_nothing_turns_with_the_guard_open(tmp_path: Path, home: Path) -> None:
    """Status 4, the guard named, no file."""
    made = new("--world", world(tmp_path, "[interlock]\nguard_closed = false"), typed="\n" * 40)
    assert made.exit_code == 4 and "guard is open" in made.stderr
    assert not list(home.rglob("*.toml"))


def test_a_simulated_bench_needs_the_part_whose_pins_are_touched(home: Path) -> None:
    """Nobody can touch a simulated pin that no terminal is known of."""
    made = CliRunner().invoke(cli, ["run", "teach", "mine", "--pins", "1,2"])
    assert made.exit_code == 2 and "--part" in made.stderr


def test_another_holder_file_is_never_written_over(home: Path) -> None:
    """Refused before anything is asked; its text stays."""
    path = home / "holders" / "mine.toml"
    path.parent.mkdir(parents=True)
    path.write_text("# mine\n")
    made = new(typed="\n" * 40)
    assert made.exit_code == 2 and "is there already" in made.stderr and path.read_text() == "# mine\n"


def test_a_column_answers_to_one_pin_only() -> None:
    """The second pin is refused with the first one's name; a touch of more than five ohms is none."""
    before = [Touch(pin="1", column=4, ohm=0.2)]
    assert "pin 1 already" in _fault([Joined(column=4, ohm=0.3)], 15, before)
    assert "no clean touch" in _fault([Joined(column=5, ohm=9.0)], 15, before)
    assert _fault([Joined(column=5, ohm=4.9)], 15, before) == ""
