"""Whole evaluation without the wire: every estimate lies within its stated uncertainty of what the world really is."""

import math
from typing import Any

import numpy as np
import pytest
from observed_from_world import full_test, quick_screen, stator_only, world_of

from drivers.simulated.world.truth import truth
from rig.answer import Curves
from rig.evaluation.evaluated import evaluate
from rig.observed import Observed
from rig.result import Result

BENCH = {
    "seed": 11,
    "sampler": {
        "gain_error": [0.002, -0.003, 0.004, -0.002],
        "skew_ns": [0, 200, -300, 400],
        "offset_v": [0.002, 0, -0.003, 0.001],
    },
    "climate": {"ambient_degc": 23.5, "part_degc": 23.4, "probe_error_degc": 0.2},
    "part": {"gap_scatter": 0.01, "faults": {"shorted_coil": "sin", "shorted_turns": 1, "shorted_tooth": 3}},
}


@pytest.fixture(scope="module")
def run() -> Observed:
    return full_test(BENCH)


@pytest.fixture(scope="module")
def evaluated(run: Observed) -> tuple[dict[str, Result], Curves]:
    evaluated = evaluate(run)
    results, curves = evaluated.results, evaluated.curves
    return {r.measurand: r for r in results}, curves


@pytest.fixture(scope="module")
def true() -> dict[str, Any]:
    return truth(world_of(BENCH))


def test_every_estimate_is_within_its_uncertainty_of_the_truth(
    evaluated: tuple[dict[str, Result], Curves], true: dict[str, Any]
) -> None:
    """|estimate - truth| <= U, line by line, on a bench with gain, delay and offset errors and a part with a fault."""
    results, _ = evaluated
    compared, worst = 0, {}
    for id_, value in true["as_clamped"].items():
        found = results.get(id_)
        if value is None or found is None or found.estimate is None or found.qualifier:
            continue
        assert found.U is not None
        compared += 1
        if abs(found.estimate - value) > found.U + 1e-12:
            worst[id_] = (found.estimate, value, found.U)
    assert not worst
    assert compared >= 36


def test_the_orders_of_the_error_are_those_of_the_part(
    evaluated: tuple[dict[str, Result], Curves], true: dict[str, Any]
) -> None:
    """Orders p, 2p and 3p within their uncertainty."""
    results, _ = evaluated
    for order in (4, 8, 12):
        found = results[f"order_{order}_mech_arcmin"]
        expected = true["orders_mech_arcmin"][str(order)]["amplitude"]
        assert found.estimate == pytest.approx(expected, abs=found.U)


def test_the_curve_is_that_of_the_part(evaluated: tuple[dict[str, Result], Curves], true: dict[str, Any]) -> None:
    """The model of the mean of both passes lies within its band of the true curve everywhere."""
    _, curves = evaluated
    angle, error = true["curve"]["angle_mech_deg"], true["curve"]["error_elec_arcmin"]
    expected = np.interp(curves.angle_mech_deg, angle, error, period=360.0)
    apart = np.asarray(curves.error_model_elec_arcmin) - expected
    assert np.max(np.abs(apart)) < 1.5 * curves.error_band_elec_arcmin
    assert np.sqrt(np.mean(apart**2)) < 0.5 * np.sqrt(np.mean(expected**2)) + 4.0


def test_results_carry_their_conditions_and_a_named_budget(
    evaluated: tuple[dict[str, Result], Curves],
) -> None:
    """Frequency, level, rotor and clamping of what is driven; every u has lines that make it up."""
    results, _ = evaluated
    ratio = results["tr_sin"]
    assert {"frequency_hz", "level_v_rms", "rotor", "clamping", "loopback"} <= set(ratio.conditions)
    assert results["r20_exc"].conditions["coil_degc"] == pytest.approx(23.7)
    for found in results.values():
        if found.u:
            assert found.budget
            total = math.sqrt(sum(line.contribution**2 for line in found.budget))
            assert total == pytest.approx(found.u, rel=1e-9)
            assert found.k is not None and found.k >= 1.99


def test_the_loopback_takes_the_channels_out(evaluated: tuple[dict[str, Result], Curves]) -> None:
    """0.6 % of gain between the output channels and 700 ns of delay leave the differences untouched."""
    results, _ = evaluated
    clean = {r.measurand: r for r in evaluate(full_test({**BENCH, "sampler": {}})).results}
    for id_ in ("tr_imbalance", "phase_difference_deg", "z_exc_phase_deg"):
        found, other = results[id_], clean[id_]
        assert found.estimate is not None and other.estimate is not None and found.U is not None
        assert abs(found.estimate - other.estimate) < found.U


def test_facts_about_the_rig_are_told(evaluated: tuple[dict[str, Result], Curves]) -> None:
    """Backlash shows as hysteresis, the turn closes, nothing drifts."""
    results, _ = evaluated
    assert results["hysteresis_mech_arcmin"].estimate == pytest.approx(-1.0, abs=0.5)
    assert abs(results["closure_mech_arcmin"].estimate or 0.0) < 0.5
    assert abs(results["drift_elec_arcmin"].estimate or 0.0) < 0.5


def test_no_zero_is_told_without_a_datum(evaluated: tuple[dict[str, Result], Curves]) -> None:
    """The holder names no mark: an electrical zero would mean nothing."""
    assert "zero_elec_deg" not in evaluated[0]


def test_an_encoder_becomes_the_reference() -> None:
    """With encoder readings the positions are the encoder's, the budget its own, and the error still the part's."""
    world = {"axis": {"encoder": True, "once_arcmin": 3.0, "cyclic_50_arcmin": 6.0}}
    results = {r.measurand: r for r in evaluate(full_test(world)).results}
    found = results["error_max_elec_arcmin"]
    expected = truth(world_of(world))["as_clamped"]["error_max_elec_arcmin"]
    assert found.conditions["reference"] == "encoder"
    assert found.U is not None and found.U < 3.0
    assert found.estimate == pytest.approx(expected, abs=found.U)


def test_the_quick_screen_gives_the_same_measurands_coarsely() -> None:
    """Eight spots: ratios, phases and the coarse error within their wider uncertainties."""
    world = {"seed": 4}
    results = {r.measurand: r for r in evaluate(quick_screen(world)).results}
    expected = truth(world_of(world))["as_clamped"]
    for id_ in ("tr_sin", "tr_cos", "tr_imbalance", "phase_sin_deg", "orthogonality_elec_deg", "r20_sin", "l_exc"):
        found = results[id_]
        assert found.estimate is not None and found.U is not None
        assert abs(found.estimate - expected[id_]) <= found.U, id_
    assert "coarse" in results["error_max_elec_arcmin"].note


def test_a_stator_alone_gives_its_own_figures_only() -> None:
    """No rotor: resistances, leaks, inductance and Q; ratio and error say why they are untested."""
    world = {"part": {"faults": {"rotor": "missing"}}}
    results = {r.measurand: r for r in evaluate(stator_only(world)).results}
    expected = truth(world_of(world))["as_clamped"]
    for id_ in ("r20_exc", "l_exc", "l_sin", "q_cos"):
        found = results[id_]
        assert found.estimate == pytest.approx(expected[id_], abs=found.U)
    for id_ in ("tr_sin", "error_max_elec_arcmin", "orthogonality_elec_deg"):
        assert results[id_].estimate is None and "rotor" in results[id_].note


def test_evaluation_changes_nothing_and_repeats_itself(run: Observed) -> None:
    """Pure: the same observations give the same results to the last bit."""
    fresh = Observed(
        readings=run.readings,
        captures=run.captures,
        part=run.part,
        holder=run.holder,
        bench=run.bench,
        header=run.header,
    )
    first, second = evaluate(run).results, evaluate(fresh).results
    assert [(r.measurand, r.estimate, r.u) for r in first] == [(r.measurand, r.estimate, r.u) for r in second]
