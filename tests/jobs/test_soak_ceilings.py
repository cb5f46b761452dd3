"""The ceilings of a soak: each of them ends the night, by figures of the looks' own runs."""

from __future__ import annotations

from collections.abc import Sequence
from types import SimpleNamespace
from typing import Any

import pytest

from rig.description.soaks import load_soak
from rig.jobs.night.checks.ceilings import SoakCeilings
from rig.jobs.night.planning import add_soak
from rig.jobs.night.queue import Queue
from rig.jobs.run_job import Request
from rig.quantity import Reading

CEILINGS = {
    "coil": "exc",
    "r20_ohm": 9.0,
    "coil_degc": 110.0,
    "room_degc": 35.0,
    "on_at_once_min": 40.0,
    "on_total_h": 1.0,
    "unsound_in_a_row": 2,
}


def reading(quantity: str, value: float | None, at_s: float = 0.0, **conditions: Any) -> Reading:
    return Reading(
        step="s",
        quantity=quantity,
        value=value,
        unit="",
        instrument="i",
        bench_time_s=at_s,
        time_utc="2026-12-01T00:00:00Z",
        conditions=conditions,
    )


def look(
    *more: Reading, on_min: float = 2.0, air_degc: float = 22.0, ohm: float = 9.1, outcome: str = "within limits"
) -> Any:
    readings: Sequence[Reading] = (
        reading("ambient_temperature", air_degc),
        reading("coil_resistance", ohm, coil="exc"),
        reading("ramp", None, 100.0),
        reading("sweep_ccw", None, 100.0 + 60.0 * on_min),
        *more,
    )
    return SimpleNamespace(readings=readings, outcome=outcome)


def test_a_look_below_every_ceiling_ends_nothing() -> None:
    """Twenty of them, two minutes each; another coil's resistance and an open coil say nothing of the temperature."""
    watch = SoakCeilings()
    other, open_coil = reading("coil_resistance", 15.0, coil="sin"), reading("coil_resistance", 1e6, coil="exc")
    assert not any(watch.look(look(other, open_coil), CEILINGS) for _ in range(20))


@pytest.mark.parametrize(
    ("told", "code", "words"),
    [
        ({"ohm": 12.3}, "ceiling-coil", "the coil is 113.3 degC, above the soak's ceiling of 110 degC"),
        ({"air_degc": 36.0}, "ceiling-room", "the room is 36.0 degC"),
        ({"on_min": 41.0}, "ceiling-on-time", "one look excited the part for 41.0 min"),
    ],
)
def test_each_ceiling_ends_the_night(told: dict[str, float], code: str, words: str) -> None:
    """With the figure and the limit; without ceilings the same look ends nothing."""
    refusal = SoakCeilings().look(look(**told), CEILINGS)
    assert refusal is not None and refusal.code == code and words in refusal.message
    assert SoakCeilings().look(look(**told), {}) is None


def test_time_excited_adds_up_over_the_looks() -> None:
    """An hour in all: the second look of 31 minutes is one too many."""
    watch = SoakCeilings()
    assert watch.look(look(on_min=31.0), CEILINGS) is None
    refusal = watch.look(look(on_min=31.0), CEILINGS)
    assert refusal is not None and "excited for 1.0 h, above the soak's ceiling of 1 h" in refusal.message


def test_unsound_looks_count_in_a_row_only() -> None:
    """A sound one between two unsound ones begins anew."""
    watch = SoakCeilings()
    unsound = look(outcome="unsound measurement")
    assert watch.look(unsound, CEILINGS) is None and watch.look(look(), CEILINGS) is None
    assert watch.look(unsound, CEILINGS) is None
    refusal = watch.look(unsound, CEILINGS)
    assert refusal is not None and refusal.code == "ceiling-unsound" and "2 looks in a row" in refusal.message


def test_a_soak_hands_its_ceilings_to_every_look(tmp_path: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every key of the file, with the coil and its resistance at 20 degC; the bench's own standards have none."""
    monkeypatch.setenv("ANGLEWRIGHT_HOME", str(tmp_path))
    soak = load_soak("cool-down")
    request = Request(sequence="", part="KX4-2207", serial="N-1", world="good_4")
    made = add_soak(Queue(), request, soak)
    own = [one for one in made if one.request["sequence"] != "check_standard"]
    for entry in own:
        assert set(entry.ceilings) == set(CEILINGS) and entry.ceilings["room_degc"] == soak.ceilings.room_degc
    assert all(not one.ceilings for one in made if one not in own)
