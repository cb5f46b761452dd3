"""`bench new` with an instrument that no family knows: over real sockets, with an identity that nobody knows."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "drivers"))
from plain_bench import served

from drivers import speak_as
from drivers.profile.model import load_profile
from drivers.shelf import open_driver
from rig.errors import DescriptionError, UsageError
from rig.jobs.bench import set_up
from rig.jobs.bench.dialogue import Questions

METER = {
    "speak_as.DM100": "meter-34401",
    "speak_as.DM100.source": "manual of the DM100, chapter 5",
    "speak_as.DM100.overload": "9.9e37",
}


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("ANGLEWRIGHT_HOME", str(tmp_path / "home"))
    return tmp_path / "home"


@pytest.fixture(scope="module")
def bench() -> Iterator[Any]:
    """A meter with the 34401A's words, a generator with the 33220A's, and a switch, all of makers that nobody knows."""
    names = {"multimeter": "ACME,DM100,A1234,1.0", "generator": "ACME,FG20,B77,2.1", "switch": "ACME,SW8,C5,1.0"}
    faults = [f"{role}:wrong_idn:match=IDN:value={name}" for role, name in names.items()]
    with served(*faults, multimeter="34401A", generator="33220A") as one:
        yield one


def answering(answers: dict[str, str]) -> Questions:
    return Questions(
        [f"{key}={value}" for key, value in answers.items()], assume=True, say=lambda _: None, read_line=lambda: ""
    )


def searched(link: str, answers: dict[str, str]) -> tuple[Any, list[str]]:
    said: list[str] = []
    (found,) = set_up.search([link], everywhere=False, say=said.append, ask=answering(answers))
    return found, said


def test_a_meter_is_given_a_profile_and_measures_by_it(bench: Any, home: Path) -> None:
    """Every question is shown with its answer; the file passes the strict reader; its settings then work."""
    found, said = searched(bench.links["multimeter"], METER)
    assert (found.role, found.driver) == ("multimeter", "profile:acme-dm100")
    assert any("speak as" in line or "known to no family" in line for line in said)
    assert any("RES:NPLC?" in line and line.strip().startswith("fits") for line in said)
    profile = load_profile("acme-dm100")
    assert profile.proven_on == () and profile.source == METER["speak_as.DM100.source"]
    assert (home / "instruments" / "acme-dm100.toml").read_text(encoding="utf-8").startswith("# Made by")
    meter: Any = open_driver(found.driver, found.link, "multimeter")
    meter.open()
    try:
        assert meter.identity().serial == "A1234"
        assert meter.resistance_ohm(four_wire=True, range_ohm=100.0, nplc=1.0).range_upper == 100.0
    finally:
        meter.close()


def test_a_generator_keeps_its_output_off(bench: Any) -> None:
    """Nothing is set while it is tried; then the profile prepares a sine with the output off."""
    answers = {"speak_as.FG20": "generator-33220", "speak_as.FG20.source": "manual of the FG20, p. 30"}
    found, _ = searched(bench.links["generator"], answers)
    assert found.role == "generator"
    generator: Any = open_driver(found.driver, found.link, "generator")
    generator.open()
    try:
        generator.prepare_sine(frequency_hz=7000.0, level_v_rms=1.0)
        assert not generator.output_is_on()
    finally:
        generator.close()


def test_the_next_search_knows_it(bench: Any) -> None:
    """By the profile's own identification: nothing is asked again."""
    searched(bench.links["multimeter"], METER)
    found, said = searched(bench.links["multimeter"], {})
    assert found.driver == "profile:acme-dm100" and not any("known to no family" in line for line in said)


def test_nothing_is_offered_when_the_person_says_none(bench: Any, home: Path) -> None:
    """The default, as with --yes: the instrument stays unknown, no file is made."""
    found, _ = searched(bench.links["multimeter"], {})
    assert not found.driver and not (home / "instruments").exists()


def test_words_that_are_not_understood_stop_it(bench: Any, home: Path) -> None:
    """A generator asked in a meter's words: refused by its own list of errors, told by key; nothing is written."""
    answers = {"speak_as.FG20": "meter-34401", "speak_as.FG20.source": "manual of the FG20, p. 30"}
    with pytest.raises(UsageError, match=r"multimeter\.two_wire.*is not understood") as caught:
        searched(bench.links["generator"], answers)
    assert "--answer speak_as.FG20.multimeter.two_wire" in caught.value.next_action
    assert not (home / "instruments").exists()


def test_a_word_is_corrected_by_the_person(bench: Any, home: Path) -> None:
    """A profile with one wrong question; the person gives the right one, or goes without that function."""
    folder = home / "instruments"
    folder.mkdir(parents=True)
    text = (Path(__file__).parents[2] / "fixtures/instruments/meter-34401.toml").read_text(encoding="utf-8")
    text = text.replace('name = "meter-34401"', 'name = "nearly"').replace('"FRES:NPLC?"', '"FRES:CYCL?"')
    text = text.replace("VOLT:AC:RANG?", "VOLT:AC:SPAN?").replace("34401A)", "NEARLY)")
    (folder / "nearly.toml").write_text(text, encoding="utf-8")
    key = "speak_as.DM100.multimeter"
    answers = METER | {
        "speak_as.DM100": "nearly",
        f"{key}.four_wire.read_back.1.ask": "FRES:NPLC?",
        f"{key}.ac_volts.read_back.0.ask": "without",
    }
    searched(bench.links["multimeter"], answers)
    made = load_profile("acme-dm100").multimeter
    assert made is not None and made.ac_volts is None and made.four_wire is not None
    assert made.four_wire.read_back[1].ask == "FRES:NPLC?"


@pytest.mark.parametrize(
    ("answers", "told"),
    [
        ({"speak_as.DM100": "meter-34402"}, "no profile is called 'meter-34402'"),
        ({k: v for k, v in METER.items() if "overload" not in k}, r"the input ended at speak_as\.DM100\.overload"),
        (METER | {"speak_as.DM100.source": "page 4"}, "source"),
        (METER | {"speak_as.DM100.name": "Über Meter"}, "name"),
    ],
)
def test_answers_that_will_not_do(bench: Any, home: Path, answers: dict[str, str], told: str) -> None:
    """Are told by key; no file is left."""
    with pytest.raises(UsageError, match=told):
        searched(bench.links["multimeter"], answers)
    assert not list((home / "instruments").glob("*.toml")) if (home / "instruments").exists() else True


def test_what_a_profile_can_not_be_without() -> None:
    """A table that its role needs is not taken out."""
    draft = load_profile("generator-33220").model_dump(mode="json", by_alias=True, exclude_none=True)
    with pytest.raises(DescriptionError, match="without it"):
        speak_as.set_word(draft, "generator.output.ask", None)
    assert len(speak_as.set_word(draft, "generator.clear.1.ask", None)["generator"]["clear"]) == 4
