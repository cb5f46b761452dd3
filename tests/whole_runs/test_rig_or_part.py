"""Witness, seat and watch over real wires, on worlds in which the truth is known."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from rig.certificate.words.wording import short_name

WORLDS = {
    "broken": '[holder]\nbroken_lead = "sin_hi"\n',
    "open": '[part.faults]\nopen = "sin"\n',
    "bridged": '[holder]\nbridged_leads = ["exc_hi", "sin_hi"]\nbridged_ohm = 2e6\n',
    "leaking": "[part.faults]\nleak_exc_sin_ohm = 2e6\n",
    "divider": "[sampler]\nexc_divider = 0.58\n",
    "gap": "[part]\ngap_mean_mm = 0.9\n",
    "sensor": '[holder]\nbroken_lead = "thermistor_hi"\n',
    "loose": "[part.faults]\nintermittent_sin_ohm = 1e9\nintermittent_s = [[1.0, 1.3]]\nintermittent_every_s = 2.0\n",
}


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    """A home with the worlds above."""
    (tmp_path / "worlds").mkdir()
    for name, text in WORLDS.items():
        (tmp_path / "worlds" / f"{name}.toml").write_text(f"seed = 3\n{text}")
    return tmp_path


def command(*words: str) -> list[str]:
    return [sys.executable, "-m", "rig", *words]


def surroundings(shop: Path) -> dict[str, str]:
    return os.environ | {"ANGLEWRIGHT_HOME": str(shop), "OPENBLAS_NUM_THREADS": "1"}


def told(shop: Path, *words: str) -> Any:
    """The document of a command."""
    done = subprocess.run(
        command(*words, "--json"), env=surroundings(shop), capture_output=True, text=True, check=False, timeout=110
    )
    assert done.stdout, done.stderr
    return json.loads(done.stdout)


@pytest.mark.parametrize(
    ("world", "kind", "line", "answer"),
    [
        ("broken", "plug", "r20_sin", "it's the rig"),
        pytest.param("open", "plug", "r20_sin", "it's the part", marks=pytest.mark.slow),
        pytest.param("bridged", "open", "leak_exc_sin", "it's the rig", marks=pytest.mark.slow),
        pytest.param("leaking", "open", "leak_exc_sin", "it's the part", marks=pytest.mark.slow),
        pytest.param("sensor", "plug", "thermistor_minus_coil_degc", "it's the rig", marks=pytest.mark.slow),
        ("divider", "dummy", "tr_sin", "it's the rig"),
        pytest.param("gap", "dummy", "tr_sin", "it's the part or its seat", marks=pytest.mark.slow),
        pytest.param("open", "swap", "tr_sin", "it's the part", marks=pytest.mark.slow),
    ],
)
def test_a_witness_tells_rig_from_part(shop: Path, world: str, kind: str, line: str, answer: str) -> None:
    """The same failing line, once the rig's and once the part's: the witness on the same adapter says whose."""
    run = told(shop, "run", "quick_screen", "--part", "KX4-2207", "--serial", "W-1", "--world", world)
    assert run["outcome"] == "outside limits"
    found = told(shop, "run", "witness", run["run"], "--take", kind)
    assert found["together"][line] == answer
    kept = told(shop, "run", "witness", run["run"])
    assert [one["witness"] for one in kept["answers"]] == [kind]
    shown = subprocess.run(
        command("unit", run["run"]), env=surroundings(shop), capture_output=True, text=True, check=True
    )
    assert f"{short_name(line, alone=True)}: {answer}" in " ".join(shown.stdout.split())


@pytest.mark.slow
def test_following_the_nudge_centres_the_part(shop: Path) -> None:
    """0.15 mm off centre is told within U; the advised nudge leaves a tenth of it and of the error, and says so."""
    part = ("--part", "KX2-1184", "--world", "off_centre_2")
    first = told(shop, "run", "seat", *part)
    seat = first["seat"]
    assert seat["seen"] and seat["offset_mm"] == pytest.approx(0.15, abs=seat["U_mm"])
    assert any(abs(toward - 20.0) < 15.0 for toward in seat["nudge_toward_mech_deg"])
    wrong = max(seat["nudge_toward_mech_deg"])
    worse = told(shop, "run", "seat", *part, "--after", first["run"], "--moved", f"{seat['offset_mm']:.3f}@{wrong:.1f}")
    (toward,) = worse["seat"]["nudge_toward_mech_deg"]
    assert worse["seat"]["offset_mm"] > seat["offset_mm"]
    moved = f"{worse['seat']['offset_mm']:.3f}@{toward:.1f}"
    right = told(shop, "run", "seat", *part, "--after", worse["run"], "--moved", moved)
    assert not right["seat"]["seen"] and right["seat"]["offset_mm"] < 0.1 * worse["seat"]["offset_mm"] + 0.03
    rows = {row["line"]: row for row in right["explained"]}
    error = rows["error_max_elec_arcmin"]
    assert error["seat_seen"] and error["part"] < 0.1 * error["before"]


def test_guided_looks_go_on_until_nothing_is_left_to_move(shop: Path) -> None:
    """Enter means moved as advised: the second look is centred, says what the seat explained, and asks no more."""
    words = ("run", "seat", "--guided", "--part", "KX2-1184", "--world", "off_centre_2")
    done = subprocess.run(
        command(*words), env=surroundings(shop), input="\n", capture_output=True, text=True, check=False, timeout=110
    )
    assert done.returncode == 0, done.stderr
    first, _, second = done.stdout.partition("run 2")
    assert "Move the stator" in first and "Centred as far as the signal shows" in second
    assert second.count("run 2") == 1 and "seat explains" in second


def test_guided_looks_need_somebody_to_ask(shop: Path) -> None:
    done = subprocess.run(
        command("run", "seat", "--guided", "--part", "KX2-1184", "--json"),
        env=surroundings(shop),
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert done.returncode == 2 and "asks between its looks" in done.stderr


def test_a_winding_that_hides_centring_gets_no_nudge(shop: Path) -> None:
    """Four pole pairs on sixteen teeth: said, not guessed."""
    found = told(shop, "run", "seat", "--part", "KX4-2207", "--world", "good_4")
    assert not found["seat"]["visible"]
    assert "does not show centring" in found["notes"][0]


def test_the_place_along_the_shaft_is_found(shop: Path) -> None:
    """Where the part stands level is told within U of what the world drew (a few hundredths of a millimetre)."""
    found = told(shop, "run", "seat", "--part", "KX4-2207", "--world", "good_4", "--axial=-0.7,-0.3,0.4,0.8")
    assert found["level"]["inside"]
    assert abs(found["level"]["axial_mm"]) < 0.06 + found["level"]["U_mm"]


@pytest.mark.parametrize("how", [(), pytest.param(("--ac",), marks=pytest.mark.slow)])
def test_drop_outs_are_caught_with_their_times(shop: Path, how: tuple[str, ...]) -> None:
    """0.3 s every 2 s: each is caught, two seconds apart, its length known to a few readings."""
    found = told(
        shop, "run", "watch", "sin", *how, "--part", "KX4-2207", "--world", "loose", "--speed", "fast", "--seconds", "8"
    )["watch"]
    whole = [one for one in found["drop_outs"] if not one["open_at_end"]]
    assert len(whole) in (3, 4)
    assert found["interval_s"] < 0.05
    assert all(one["duration_s"] == pytest.approx(0.3, abs=2.5 * found["interval_s"]) for one in whole[1:])
    assert found["min"] == pytest.approx(found["max"], rel=0.01)


def test_ctrl_c_ends_a_watch_in_good_order(shop: Path) -> None:
    """Ended by hand: exit status 0, a summary, and a closed run that is complete."""
    words = command("run", "watch", "cos", "--part", "KX4-2207", "--world", "loose", "--json")
    process = subprocess.Popen(words, env=surroundings(shop), stdout=subprocess.PIPE, text=True)
    until_s = time.monotonic() + 40.0
    while time.monotonic() < until_s and not _watching(shop):
        time.sleep(0.2)
    process.send_signal(signal.SIGINT)
    out, _ = process.communicate(timeout=40)
    assert process.returncode == 0
    document = json.loads(out)
    assert document["watch"]["readings"] > 0
    record = json.loads((shop / "runs" / document["run"] / "run.json").read_text())
    assert record["ended"] == "complete"


def _watching(shop: Path) -> bool:
    return any("watch_resistance" in path.read_text() for path in shop.glob("runs/*/journal.jsonl"))
