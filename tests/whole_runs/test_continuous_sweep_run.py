"""The continuous sweep on the simulated bench, over the wire: as true as the stepped one, in seconds."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from drivers.simulated.world.truth import truth
from rig.control.bench import open_bench
from rig.control.sequencer import run_sequence
from rig.control.step import Context
from rig.description.benches import load_bench
from rig.description.holders import load_holder
from rig.description.parts import load_part
from rig.errors import UsageError
from rig.evaluation.evaluated import evaluate
from rig.evaluation.inspection.inspection import Inspection
from rig.observed import Observed
from rig.records.run.record import RunHeader
from rig.records.schema import dump
from rig.records.store import Store
from rig.soundness.soundness import soundness
from sequences.continuous_sweep import SEQUENCE
from sequences.full_test import SEQUENCE as STEPPED
from sequences.full_test_next import SEQUENCE as NEXT
from sequences.steps import continuous

pytestmark = pytest.mark.xdist_group("turning")  # one worker: the run behind these tests is made once

WORLD = """
seed = 43
[axis]
backlash_arcmin = 2.0
[part.faults]
static_offset_mm = 0.03
[sampler]
gain_error = [0.0, 0.001, -0.002, 0.003]
skew_ns = [0.0, 0.0, 40.0, -30.0]
"""
COMMON = ("loopback", "excite", "index", "index_again", "ramp_down", "impedance_sin", "impedance_cos", "impedance_exc")
STEPS = {
    "fly": (SEQUENCE, (*COMMON, "pulses", "turn_ccw", "turn_cw")),
    "next": (NEXT, (*COMMON[:-1], "turn_ccw", "turn_cw", "nulls_ccw", "nulls_cw")),
    "step": (STEPPED, (*COMMON, "sweep_ccw", "sweep_cw")),
}
COVERED = (
    "tr_sin",
    "tr_cos",
    "tr_imbalance",
    "phase_sin_deg",
    "phase_cos_deg",
    "centre_sin",
    "centre_cos",
    "quadrature_sin",
    "quadrature_cos",
    "null_fund_sin_v",
    "null_fund_cos_v",
    "orthogonality_elec_deg",
    "error_max_elec_arcmin",
    "error_rms_elec_arcmin",
    "order_4_mech_arcmin",
    "order_8_mech_arcmin",
    "order_16_mech_arcmin",
)


def observed(folder: Path, way: str) -> Observed:
    """One run over the wire, as evaluation sees it."""
    sequence, names = STEPS[way]
    world = folder / "flying.toml"
    world.write_text(WORLD, encoding="utf-8")
    part, holder = load_part("KX4-2207"), load_holder("adapter_8")
    bench_file = load_bench("simulated").model_copy(update={"world": str(world)})
    store = Store(folder / f"home-{way}")
    with open_bench(bench_file, holder, speed="fast", log=folder / f"{way}.log") as bench:
        header = RunHeader(
            sequence=sequence.name,
            started_utc="2026-11-25T08:00:00Z",
            serial="T-1",
            part=part.model_dump(mode="json", by_alias=True),
            holder=holder.model_dump(mode="json", by_alias=True),
            bench=bench_file.model_dump(mode="json", by_alias=True),
            instruments=bench.identities(),
            rotor="own",
            simulated=bench.is_simulated,
        )
        kept = store.begin(header)
        context = Context(
            bench=bench, part=part.part(), holder=holder, journal=kept.journal, raw=kept.raw, header=dump(header)
        )
        wanted = replace(sequence, steps=tuple(step for step in sequence.steps if step.name in names))
        ended = run_sequence(wanted, context)
        assert ended.complete, ended.fault
    store.finish(kept, outcome="measured, no limits", ended="complete")
    stored = store.find(kept.id)
    return Observed(
        readings=stored.readings,
        captures=stored.captures,
        part=part.part(),
        holder=holder,
        bench=bench_file,
        header=dump(header),
    )


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Observed]:
    """The same world flown and stepped."""
    folder = tmp_path_factory.mktemp("flying")
    return {way: observed(folder, way) for way in STEPS}


@pytest.fixture(scope="module")
def lines(runs: dict[str, Observed]) -> dict[str, dict[str, Any]]:
    """Results by measurand of both ways."""
    return {way: {line.measurand: line for line in evaluate(obs).results} for way, obs in runs.items()}


@pytest.fixture(scope="module")
def true(tmp_path_factory: pytest.TempPathFactory) -> dict[str, float]:
    """The truth as clamped."""
    world = tmp_path_factory.mktemp("true") / "flying.toml"
    world.write_text(WORLD, encoding="utf-8")
    told = truth(str(world))
    orders = {f"order_{n}_mech_arcmin": told["orders_mech_arcmin"][n]["amplitude"] for n in ("4", "8", "16")}
    return {**told["as_clamped"], **orders}


@pytest.mark.parametrize("id_", COVERED)
def test_a_turn_on_the_fly_tells_the_truth(lines: dict[str, dict[str, Any]], true: dict[str, float], id_: str) -> None:
    """Every line lies within its U of the truth, and U is at most twice the stepped sweep's."""
    flown, stepped = lines["fly"][id_], lines["step"][id_]
    assert flown.estimate is not None and flown.U is not None and flown.U > 0, flown.note
    assert abs(flown.estimate - true[id_]) <= flown.U
    assert flown.U <= 2.0 * stepped.U


@pytest.mark.parametrize("id_", [*COVERED, "null_total_sin_v", "null_total_cos_v", "i_exc_rms", "z_exc_mod"])
def test_the_next_full_test_is_as_narrow_as_the_one_in_force(
    lines: dict[str, dict[str, Any]], true: dict[str, float], id_: str
) -> None:
    """Turned on the fly, the nulls at rest: within its U of the truth, U at most 1.1 times that of the stepped one."""
    new, old = lines["next"][id_], lines["step"][id_]
    assert new.estimate is not None, new.note
    assert abs(new.estimate - true[id_]) <= new.U
    assert new.U <= 1.1 * old.U


def test_play_is_told_by_pairs_at_rest(lines: dict[str, dict[str, Any]]) -> None:
    """Play of 2' by the places reached at rest both ways, beside a turn on the fly."""
    play = lines["next"]["hysteresis_mech_arcmin"]
    assert abs(play.estimate + 2.0) <= play.U < 0.2


def test_a_run_that_did_not_rest_at_every_null_says_so(runs: dict[str, Observed]) -> None:
    """Of places half way between the nulls no null voltage with harmonics is made up."""
    obs = runs["next"]
    beside = [
        replace(r, conditions={**r.conditions, "position_steps": r.conditions["position_steps"] + 100})
        if r.quantity.startswith("nulls")
        else r
        for r in obs.readings
    ]
    line = {r.measurand: r for r in evaluate(replace(obs, readings=tuple(beside))).results}["null_total_sin_v"]
    assert line.estimate is None and "every null" in line.note


@pytest.mark.parametrize("id_", ["l_sin", "l_cos", "q_sin", "z_cos_mod"])
def test_impedances_of_the_outputs_know_the_turn_on_the_fly(lines: dict[str, dict[str, Any]], id_: str) -> None:
    """The shape of the outputs round the turn comes from the turn in hand: U is that of a stepped sweep."""
    assert pytest.approx(lines["step"][id_].U, rel=0.1) == lines["fly"][id_].U


def test_both_ways_agree_on_the_curve(runs: dict[str, Observed], lines: dict[str, dict[str, Any]]) -> None:
    """Largest errors agree within what the axis leaves to both; pole pairs and direction are the same."""
    flown, stepped = lines["fly"], lines["step"]
    assert flown["pole_pairs"].estimate == stepped["pole_pairs"].estimate == 4
    assert flown["direction"].estimate == stepped["direction"].estimate
    apart = flown["error_max_elec_arcmin"].estimate - stepped["error_max_elec_arcmin"].estimate
    assert abs(apart) < 1.0


def test_a_turn_takes_under_ten_seconds(runs: dict[str, Observed]) -> None:
    """From the start of the first record to the end of the second: two turns each way."""
    obs = runs["fly"]
    begun = [obs.capture_readings(name)[0].bench_time_s for name in ("turning_ccw", "turning_cw")]
    record = obs.captures.stack("turning_ccw")
    assert record.codes.shape[2] / record.sample_rate_hz < 10.0 and begun[1] - begun[0] < 10.0


def test_delay_is_no_hysteresis(runs: dict[str, Observed], lines: dict[str, dict[str, Any]]) -> None:
    """Play of 2' and the pulses' half step come out as a delay; hysteresis is said to be not measured, and nothing is
    unsound."""
    found = evaluate(runs["fly"]).turn
    assert found is not None and found.latency_s is not None
    half_step_s, play_s = 0.5 / 3200, 2.0 / 2.0 / 60.0 / 360.0
    assert found.latency_s == pytest.approx(play_s + half_step_s, abs=10e-6)
    line = lines["fly"]["hysteresis_mech_arcmin"]
    assert line.estimate is None and "delay" in line.note
    reasons = soundness(Inspection(evaluate(runs["fly"])), ())
    assert [reason.code for reason in reasons] == []


def test_a_bench_without_pulses_says_so_before_anything_is_driven(tmp_path: Path) -> None:
    """No relay for the step pulses: refused with the bench file's key, before the first DC reading."""
    bench = load_bench("simulated")
    assert bench.switch is not None
    without = bench.model_copy(update={"switch": bench.switch.model_copy(update={"step_pulses": None})})
    with open_bench(without, load_holder("adapter_8"), speed="fast", log=tmp_path / "b.log") as opened:
        part = load_part("KX4-2207").part()
        context = Context(bench=opened, part=part, holder=load_holder("adapter_8"), journal=None, raw=None, header={})
        with pytest.raises(UsageError, match="step pulses"):
            continuous.pulses_at_sampler(context)


def test_places_are_those_of_the_axis(runs: dict[str, Observed]) -> None:
    """Both passes stand on the same whole steps, every place of the grid passed."""
    found = evaluate(runs["fly"]).turn
    assert found is not None
    up, down = (np.sort(found.steps[side]) for side in (found.counter_clockwise, ~found.counter_clockwise))
    assert np.array_equal(up, down) and np.all(up == np.rint(up)) and up.size >= 320
