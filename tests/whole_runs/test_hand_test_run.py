"""The test by hand on the simulated bench of the shop that owns least: a person who slips leaves no wrong line."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from drivers.simulated.world.truth import truth
from rig.errors import UsageError
from rig.jobs.kept.kept_run import Finished
from rig.jobs.run_job import Request, run_job
from rig.pins.by_hand.hand_walk import fewest_changes
from sequences import hand_test, registry

pytestmark = pytest.mark.xdist_group("hand_test")
OHMS_ONLY = ("rotor", "climate_before", "hand_ohms", "climate_after")
WORLD = """
seed = {seed}
[part.faults]
{fault}
[multimeter]
model = "34401A"
[sampler]
model = "DS1102Z-E"
[axis]
hand_turned = true
[holder]
lead_ohm = 0.001
[switch]
model = "hand"
slip = {slip}
[climate]
probe = "hand"
[interlock]
read = false
"""


def run_by_hand(
    folder: Path, seed: int, fault: str, slip: float
) -> tuple[Finished, dict[str, float], list[dict[str, Any]]]:
    """(the run, what is true, what the hand really did)."""
    world, log = folder / "world.toml", folder / "bench.log"
    world.write_text(WORLD.format(seed=seed, fault=fault, slip=slip), encoding="utf-8")
    asked = Request(
        sequence="hand_test", part="KX4-2207-S", serial="T-1", bench="tier_a", world=str(world), bench_log=log
    )
    finished = run_job(asked)
    acts = [json.loads(line) for line in log.read_text(encoding="utf-8").splitlines()]
    return finished, truth(str(world))["as_clamped"], [act for act in acts if act["event"] == "hand"]


def wrong(finished: Finished, true: dict[str, float]) -> list[str]:
    """Lines beyond 1.5 U of what is true, and statements that it is above something that it is not."""
    found = []
    for line in finished.judgement.judged:
        r = line.result
        if r is None or r.estimate is None or r.U is None or line.spoiled:
            continue
        value = true.get(r.measurand)
        if value is None:
            continue
        if (r.qualifier == ">" and value < r.estimate) or (not r.qualifier and abs(r.estimate - value) > 1.5 * r.U):
            found.append(f"{r.measurand} {r.qualifier}{r.estimate:.6g} +- {r.U:.3g}, true {value:.6g}")
    return found


@pytest.fixture
def ohms_only(monkeypatch: pytest.MonkeyPatch) -> None:
    short = tuple(step for step in hand_test.SEQUENCE.steps if step.name in OHMS_ONLY)
    table = {**registry.SEQUENCES, "hand_test": replace(hand_test.SEQUENCE, steps=short)}
    monkeypatch.setattr(registry, "SEQUENCES", table)


@pytest.fixture
def own_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("ANGLEWRIGHT_HOME", str(tmp_path / "home"))
    return tmp_path


@pytest.mark.usefixtures("ohms_only")
def test_a_sure_hand_needs_the_fewest_changes(own_home: Path) -> None:
    """Five circuits: 24 changes, none of them twice, and every line of ohms is there."""
    finished, true, acts = run_by_hand(own_home, 3, "", 0.0)
    changes = next(r for r in finished.stored.readings if r.quantity == "hand_changes")
    assert changes.value == fewest_changes(5) == 24 and changes.conditions["again"] == 0
    assert sum(act["act"].startswith("put") for act in acts) == 24
    assert wrong(finished, true) == []
    lines = {line.measurand: line for line in finished.judgement.judged if line.result is not None}
    assert lines["leak_sin_cos"].result.qualifier == ">" and lines["leak_thermistor"].result.qualifier == ">"
    assert lines["r20_sin"].result.U < 0.05 and lines["r20_match"].result.U < 3e-4


@pytest.mark.usefixtures("ohms_only")
@pytest.mark.parametrize(
    ("seed", "fault", "id_", "true_ohm"),
    [(31, "leak_exc_sin_ohm = 200000.0", "leak_exc_sin", 2e5), (33, 'open = "cos"', "r20_cos", None)],
)
def test_a_slipping_hand_leaves_no_wrong_line(
    own_home: Path, seed: int, fault: str, id_: str, true_ohm: float | None
) -> None:
    """A fifth of the changes slip: leaks and open coils are found where they are, and nowhere else."""
    finished, true, acts = run_by_hand(own_home, seed, fault, 0.2)
    assert any(act["slip"] for act in acts)
    assert wrong(finished, true) == []
    found = {line.measurand: line.result for line in finished.judgement.judged if line.result is not None}
    leaks = {name: r for name, r in found.items() if name.startswith("leak_") and r.estimate is not None}
    low = {name for name, r in leaks.items() if r.qualifier != ">"}
    if true_ohm is None:
        assert found[id_].qualifier == ">" and low == set()
    else:
        assert low == {id_} and found[id_].estimate == pytest.approx(true_ohm, rel=0.02)


@pytest.mark.slow
@pytest.mark.parametrize(("fault", "outcome"), [("", "within limits"), ("SHORT", "outside limits")])
def test_the_whole_test_by_hand(own_home: Path, fault: str, outcome: str) -> None:
    """From two leads to the report: a good part within limits, shorted turns outside, every line within its U."""
    told = 'shorted_coil = "sin"\nshorted_tooth = 2\nshorted_turns = 8\nshort_ohm = 0.05' if fault else ""
    finished, true, _ = run_by_hand(own_home, 5, told, 0.0)
    assert finished.judgement.outcome == outcome, finished.judgement.reasons
    assert wrong(finished, true) == []
    assert Path(finished.files["certificate"]).exists()


def test_a_bench_of_hands_refuses_what_needs_relays(own_home: Path) -> None:
    """Refused by the ability's name, before anything is armed or excited."""
    with pytest.raises(UsageError, match="lacks axis, relays, four channels at once"):
        run_job(Request(sequence="full_test", part="KX4-2207", serial="T-1", bench="tier_a"))
