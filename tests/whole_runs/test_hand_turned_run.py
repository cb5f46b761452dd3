"""The hand-turned sequence on the simulated bench, over the wire: what the ellipse tells is covered by its U."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from drivers.simulated.world.truth import truth
from rig.control.bench import open_bench
from rig.control.sequencer import run_sequence
from rig.control.step import Context
from rig.description.benches import load_bench
from rig.description.holders import load_holder
from rig.description.parts import load_part
from rig.evaluation.evaluated import evaluate
from rig.observed import Observed
from rig.records.run.record import RunHeader
from rig.records.schema import dump
from rig.records.store import Store
from sequences.hand_turned import SEQUENCE
from sequences.steps import by_hand

pytestmark = pytest.mark.xdist_group("by_hand")  # one worker: the run behind these tests is made once

SHORT_STEPS = ("loopback", "excite", "hand_turned", "ramp_down", "impedance_sin", "impedance_cos")
SHORT = replace(SEQUENCE, steps=tuple(step for step in SEQUENCE.steps if step.name in SHORT_STEPS))
WORLD = """
seed = 41
[axis]
hand_turned = true
[part.faults]
static_offset_mm = 0.03
[sampler]
gain_error = [0.0, 0.001, -0.002, 0.003]
skew_ns = [0.0, 0.0, 40.0, -30.0]
"""
COVERED = (
    "tr_sin",
    "tr_cos",
    "tr_imbalance",
    "centre_sin",
    "centre_cos",
    "orthogonality_elec_deg",
    "phase_sin_deg",
    "phase_cos_deg",
    "null_fund_sin_v",
    "null_fund_cos_v",
)


@pytest.fixture(scope="module")
def turned(tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, Any], dict[str, float]]:
    """(results by measurand, truth as clamped) of one run."""
    patch = pytest.MonkeyPatch()
    patch.setattr(by_hand, "SECONDS", 12.0)  # two turns of the simulated hand
    folder: Path = tmp_path_factory.mktemp("hand")
    world = folder / "hand.toml"
    world.write_text(WORLD, encoding="utf-8")
    part, holder = load_part("KX4-2207"), load_holder("adapter_8")
    bench_file = load_bench("simulated").model_copy(update={"world": str(world)})
    store = Store(folder / "home")
    with open_bench(bench_file, holder, speed="fast", log=folder / "bench.log") as bench:
        header = RunHeader(
            sequence=SEQUENCE.name,
            started_utc="2026-11-25T08:00:00Z",
            serial="T-1",
            part=part.model_dump(mode="json", by_alias=True),
            holder=holder.model_dump(mode="json", by_alias=True),
            bench=bench_file.model_dump(mode="json", by_alias=True),
            instruments=bench.identities(),
            rotor="own",
            simulated=bench.is_simulated,
        )
        run_folder = store.begin(header)
        context = Context(
            bench=bench,
            part=part.part(),
            holder=holder,
            journal=run_folder.journal,
            raw=run_folder.raw,
            header=dump(header),
        )
        ended = run_sequence(SHORT, context)
        patch.undo()
        assert ended.complete, ended.fault
    store.finish(run_folder, outcome="measured, no limits", ended="complete")
    stored = store.find(run_folder.id)
    obs = Observed(
        readings=stored.readings,
        captures=stored.captures,
        part=part.part(),
        holder=holder,
        bench=bench_file,
        header=dump(header),
    )
    lines = {line.measurand: line for line in evaluate(obs).results}
    return lines, truth(str(world))["as_clamped"]


@pytest.mark.parametrize("id_", COVERED)
def test_a_hand_gives_what_the_ellipse_tells(turned: tuple[dict[str, Any], dict[str, float]], id_: str) -> None:
    """Ratio, imbalance, centre, orthogonality, phases and nulls lie within their U of the truth as clamped."""
    lines, true = turned
    line = lines[id_]
    assert line.estimate is not None and line.U is not None and line.U > 0, line.note
    assert abs(line.estimate - true[id_]) <= line.U


def test_a_hand_turns_whole_turns_and_measures_no_error(turned: tuple[dict[str, Any], dict[str, float]]) -> None:
    """Whole turns were covered; the angle error is said to be not measured."""
    lines, _ = turned
    assert lines["tr_sin"].conditions["whole_turn"] is True and lines["tr_sin"].U < 0.002
    assert lines["error_max_elec_arcmin"].estimate is None and "hand" in lines["error_max_elec_arcmin"].note
