"""Coil resistances: what is averaged, what is taken off, what an open coil says, what cancels in the match."""

import pytest
from readings_by_hand import coil, observed, reading

from rig.evaluation.evaluated import evaluate
from rig.observed import Observed
from rig.result import Result


def air(degc: float) -> list:
    return [reading("ambient_temperature", degc, "degC", phase="before")]


def line(obs: Observed, id_: str) -> Result:
    return next(r for r in evaluate(obs).results if r.measurand == id_)


def test_both_polarities_are_averaged_so_that_a_thermal_emf_cancels() -> None:
    """A voltage that adds 2 mohm one way and takes them off the other leaves the resistance."""
    obs = observed([*coil("exc", [9.002] * 3, [8.998] * 3), *air(20.0)])
    assert line(obs, "r20_exc").estimate == pytest.approx(9.0, abs=1e-12)


def test_the_lead_zero_of_the_run_is_taken_off() -> None:
    """Four-wire zero 1.5 mohm: every coil is lower by it."""
    obs = observed([reading("lead_zero", 1.5e-3, wires=4), *coil("exc", [9.0] * 3, [9.0] * 3), *air(20.0)])
    assert line(obs, "r20_exc").estimate == pytest.approx(8.9985, abs=1e-12)


def test_copper_is_referred_to_20_degc_by_its_constant() -> None:
    """At 45.45 degC copper has 10 % more than at 20 degC (234.5 + 20 = 254.5)."""
    obs = observed([*coil("sin", [11.0] * 3, [11.0] * 3), *air(45.45)])
    found = line(obs, "r20_sin")
    assert found.estimate == pytest.approx(10.0, rel=1e-12)
    assert found.conditions["as_measured_ohm"] == pytest.approx(11.0)
    assert found.conditions["copper_constant"] == 234.5


def test_the_probe_dominates_the_budget_and_every_influence_has_a_name() -> None:
    """0.3 K of the probe makes 0.068 % standard; the lines add up to the stated u."""
    obs = observed([*coil("cos", [15.0, 15.0001, 14.9999], [15.0, 15.0001, 14.9999]), *air(22.0)])
    found = line(obs, "r20_cos")
    assert found.u is not None and found.estimate is not None
    assert found.budget[0].influence == "part against air" or found.budget[0].influence == "climate probe"
    assert {"climate probe", "multimeter specification", "part against air"} <= {b.influence for b in found.budget}
    assert sum(b.contribution**2 for b in found.budget) ** 0.5 == pytest.approx(found.u, rel=1e-9)
    assert 2e-4 < found.u / found.estimate < 3e-3


def test_an_open_coil_is_beyond_the_end_of_its_range() -> None:
    """Over range in both polarities: "> 1000 ohm", never a missing line."""
    over = [reading("coil_resistance", None, overload=True, coil="sin", wires=4, range_ohm=1e3, polarity="+")]
    found = line(observed([*over, *air(22.0)]), "r20_sin")
    assert (found.qualifier, found.estimate) == (">", 1e3)
    assert line(observed([*over, *air(22.0)]), "r20_match").estimate is None


def test_without_a_temperature_nothing_is_referred_to_20_degc() -> None:
    """No air reading: the line says why it is untested."""
    found = line(observed(coil("exc", [9.0], [9.0])), "r20_exc")
    assert found.estimate is None and "temperature" in found.note


def test_temperature_and_meter_gain_cancel_in_the_match() -> None:
    """Its uncertainty is far below that of either resistance, and it does not move with the temperature."""
    readings = [*coil("sin", [15.15] * 3, [15.15] * 3), *coil("cos", [15.0] * 3, [15.0] * 3)]
    cool, warm = (line(observed([*readings, *air(t)]), "r20_match") for t in (18.0, 28.0))
    assert cool.estimate == warm.estimate == pytest.approx(0.01, abs=1e-12)
    sine = line(observed([*readings, *air(22.0)]), "r20_sin")
    assert cool.u is not None and sine.u is not None and sine.estimate is not None
    assert cool.u < 0.2 * sine.u / sine.estimate


def test_few_repeats_widen_the_coverage_factor() -> None:
    """Scatter of three repeats that dominates brings few degrees of freedom and k above 2."""
    obs = observed([*coil("exc", [9.0, 9.3, 8.7], [9.0, 9.3, 8.7]), *air(20.0)])
    found = line(obs, "r20_exc")
    assert found.dof is not None and found.dof < 8
    assert found.k is not None and found.k > 2.2
