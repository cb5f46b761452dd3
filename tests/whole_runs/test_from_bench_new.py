"""From `bench new` to a report on each tier that a shop may own, on the simulated instruments of that tier.

Only what `bench new` asks is answered, then `bench check`, then the run through the plain terminal. The tier of hands
alone is in tests/jobs/test_bring_up.py.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from drivers.shelf import SimulatedBench, start_simulated
from rig.cli.main import cli
from rig.description.benches import load_bench

pytestmark = [pytest.mark.slow, pytest.mark.xdist_group("from_bench_new")]
GAIN = {"generator.amplifier_gain": "2.0"}
TIERS = {
    # tier -> (sequence, roles that a hand fills, answers)
    "b": ("hand_sweep", {"switch": "hand"}, {"sampler.range_v": "5", "axis.microsteps": "16"}),
    "c": ("full_test", {}, {"switch.ratio_standard_out_ohm": "71.4"}),
}


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("ANGLEWRIGHT_HOME", str(tmp_path / "home"))
    monkeypatch.chdir(tmp_path)
    return tmp_path / "home"


def call(*words: str) -> Result:
    return CliRunner().invoke(cli, [*words])


def set_up(bench: SimulatedBench, tier: str) -> Result:
    """The bench file of a tier, from its links."""
    _, by_hand, answers = TIERS[tier]
    words = [word for role, link in bench.links.items() if role not in by_hand for word in ("--link", link)]
    for role, driver in by_hand.items():  # the simulated person stands at a link in place of the terminal
        answers = answers | {f"{role}.link": bench.links[role], f"{role}.driver": driver}
    for key, value in (answers | GAIN | {"clock": bench.clock}).items():
        words += ["--answer", f"{key}={value}"]
    return call("bench", "new", "shop", "--no-search", "--yes", *words)


@pytest.mark.parametrize(("case", "outcome", "status"), [("", "within limits", 0), ("_shorted", "outside limits", 1)])
@pytest.mark.parametrize("tier", sorted(TIERS))
def test_from_bench_new_to_a_report(tier: str, case: str, outcome: str, status: int) -> None:
    """The instruments are found, the bench is checked, the part is judged and its report is written."""
    with start_simulated(f"tier_{tier}{case}", speed="fast") as bench:
        made = set_up(bench, tier)
        assert made.exit_code == 0, made.output
        file = load_bench("shop")
        drivers = {role: device.driver for role, device in file.devices().items()}
        assert set(drivers) == set(bench.links), drivers
        checked = call("bench", "check", "shop", "--json")
        assert checked.exit_code == 0, checked.output
        report = json.loads(checked.stdout)
        sequence = TIERS[tier][0]
        assert sequence in report["can_run"], report["lacking"]
        words = ("run", sequence, "--bench", "shop", "--part", "KX4-2207", "--serial", "T-1", "--json")
        run = call(*words)
    assert run.exit_code == status, run.output
    document = json.loads(run.stdout)
    assert document["outcome"] == outcome, document
    assert Path(document["files"]["certificate"]).read_bytes().startswith(b"%PDF")
