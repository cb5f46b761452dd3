"""The world file: its keys, defaults and refusals."""

from __future__ import annotations

from pathlib import Path

import pytest
from pydantic import BaseModel

from drivers.simulated.worldfile.keys import WorldFile, load_world
from rig.description.places import known_names
from rig.errors import DescriptionError

README = Path(__file__).parents[2] / "fixtures" / "README.md"


def refused(tmp_path: Path, text: str) -> str:
    path = tmp_path / "w.toml"
    path.write_text(text)
    with pytest.raises(DescriptionError) as caught:
        load_world(path)
    return str(caught.value)


def test_an_unknown_key_is_refused_with_the_nearest_known_name(tmp_path: Path) -> None:
    """An unknown key of a world is told with its line and the nearest known name."""
    told = refused(tmp_path, "seed = 1\n[part.faults]\nshorted_turn = 3\n")
    assert "w.toml:3" in told and "shorted_turns" in told


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("[part]\nteeth = 15\n", "odd tooth count"),
        ("[part]\nteeth = 8\n", "2 x pole pairs"),
        ("[part]\nlobe_mm = 0.7\n", "gap closes"),
        ("[part.faults]\nstatic_offset_mm = 0.5\n", "gap closes"),
        ("[part.faults]\nshorted_turns = 3\n", "shorted_coil"),
        ("[holder.pins]\nexc_hi = 4\n", "two terminals on one pin"),
        ('grounds = ["core"]\n', "grounds"),
    ],
)
def test_worlds_that_cannot_be_are_refused_with_a_reason(tmp_path: Path, text: str, reason: str) -> None:
    """Odd teeth, teeth = 2 x pole pairs, a closing gap and contradictions are refused with a reason."""
    assert reason in refused(tmp_path, text)


def fields(model: type[BaseModel]) -> set[str]:
    found = set()
    for name, field in model.model_fields.items():
        inner = [a for a in (field.annotation, *getattr(field.annotation, "__args__", ())) if isinstance(a, type)]
        models = [a for a in inner if issubclass(a, BaseModel)]
        found |= fields(models[0]) if models else {name}
    return found


def test_every_key_stands_in_the_readme_of_the_fixtures() -> None:
    """fixtures/README.md names every key of a world."""
    text = README.read_text()
    assert [name for name in sorted(fields(WorldFile)) if f"`{name}`" not in text] == []


def test_every_packaged_world_loads_and_is_described() -> None:
    """Each packaged world is a checked world and stands in the table of fixtures/README.md."""
    names = known_names("world")
    assert {"good_4", "good_2", "off_centre_2", "shorted_sine", "corroded_pin", "encoder_4"} <= set(names)
    for name in ("good_4", "good_2", "off_centre_2", "shorted_sine", "corroded_pin", "encoder_4"):
        load_world(name)
        assert f"| {name} |" in README.read_text()


def test_pins_that_are_not_named_keep_theirs() -> None:
    """A world may move some pins only."""
    world = WorldFile.model_validate({"holder": {"pins": {"thermistor_hi": 11}}})
    assert world.holder.pins["thermistor_hi"] == 11 and world.holder.pins["exc_hi"] == 1


@pytest.mark.parametrize(("given", "kept"), [(50, "50"), ("hiz", "hiz"), ("75", "75")])
def test_the_load_setting_is_hiz_or_ohms(given: object, kept: str) -> None:
    """generator.load takes "hiz" or a number of ohms."""
    assert WorldFile.model_validate({"generator": {"load": given}}).generator.load == kept
