"""Limits that don't say their angle or were stated for other conditions: judged both ways, or not compared."""

import math
from dataclasses import replace

import pytest
from readings_by_hand import observed

from rig.evaluation.evaluated import evaluate
from rig.quantity import Limit
from rig.result import Judged, Reason, Result
from rig.review.outcome.roll_up import roll_up
from rig.soundness.limit_sense import settle_limits
from rig.uncertainty.conformity import Verdict, verdict_of

ERROR = "error_max_elec_arcmin"


def settled(estimate: float, limit: Limit, revision: str = "A", **facts: float) -> tuple[Judged, tuple[Reason, ...]]:
    """One line measured as `estimate` +- 1 at four pole pairs, with rig facts beside it."""
    obs = observed([])
    obs = replace(obs, part=replace(obs.part, pole_pairs=4, revision=revision))
    rule = obs.part.decision.multiplier
    verdict = verdict_of(estimate, 1.0, limit.lower, limit.upper, rule)
    result = Result(measurand=limit.measurand, estimate=estimate, unit="arcmin", u=0.5, k=2.0, dof=math.inf)
    lines = [Judged(measurand=limit.measurand, result=result, limit=limit, verdict=verdict)]
    for name, figure in facts.items():
        fact = Result(measurand=name, estimate=figure, unit="", u=0.0, k=2.0, dof=math.inf)
        lines.append(Judged(measurand=name, result=fact, limit=None, verdict=Verdict.NO_LIMIT))
    told, reasons = settle_limits(evaluate(obs), lines)
    return told[0], reasons


def upper(value: float, measurand: str = ERROR, **stated: object) -> Limit:
    return Limit(measurand=measurand, lower=None, upper=value, origin="customer", **stated)  # type: ignore[arg-type]


def test_an_angle_that_is_not_said_leaves_the_line_undecided_where_the_readings_differ() -> None:
    """60' electrical against 45': outside if electrical, well inside 180' if mechanical; neither is said."""
    line, reasons = settled(60.0, upper(45.0, angle="unclear"))
    assert line.verdict is Verdict.NOT_TESTED
    assert [r.code for r in reasons] == ["limit-angle-unclear"]
    assert not reasons[0].spoils
    assert roll_up([line], reasons) == "undecided"


@pytest.mark.parametrize("estimate,verdict", [(30.0, Verdict.PASS), (200.0, Verdict.FAIL)])
def test_an_angle_that_does_not_matter_is_judged(estimate: float, verdict: Verdict) -> None:
    """Where both readings of the limit agree, the verdict stands and says so."""
    line, reasons = settled(estimate, upper(45.0, angle="unclear"))
    assert (line.verdict, reasons) == (verdict, ())
    assert "same verdict" in line.note


def test_a_limit_of_the_other_angle_is_turned_into_the_measured_one() -> None:
    """45' mechanical are 180' electrical at four pole pairs, and the other way round a quarter."""
    line, reasons = settled(60.0, upper(45.0, angle="mechanical"))
    assert line.verdict is Verdict.PASS and line.limit is not None and not reasons
    assert line.limit.upper == pytest.approx(180.0)
    line, _ = settled(15.0, upper(45.0, "error_max_mech_arcmin", angle="electrical"))
    assert line.verdict is Verdict.FAIL and line.limit is not None
    assert line.limit.upper == pytest.approx(11.25)


@pytest.mark.parametrize(
    "stated,facts",
    [
        ({"frequency_hz": 5000.0}, {"f_exc_hz": 10_000.0}),
        ({"level_v_rms": 4.0}, {"v_exc_rms": 7.0}),
        ({"revision": "B"}, {}),
    ],
)
def test_a_limit_for_other_conditions_is_not_compared(stated: dict[str, object], facts: dict[str, float]) -> None:
    """Neither pass nor fail: the run is undecided and the reason names both conditions."""
    line, reasons = settled(90.0, upper(45.0, **stated), **facts)
    assert line.verdict is Verdict.NOT_TESTED
    assert [r.code for r in reasons] == ["limit-condition-differs"]
    assert roll_up([line], reasons) == "undecided"


def test_a_limit_for_the_same_conditions_is_compared() -> None:
    """A stated frequency within one per cent of the run's changes nothing."""
    line, reasons = settled(90.0, upper(45.0, frequency_hz=10_000.0), f_exc_hz=10_020.0)
    assert (line.verdict, reasons) == (Verdict.FAIL, ())


def test_a_stated_coefficient_carries_the_limit_along() -> None:
    """Twice the frequency at a coefficient of 0.5 widens the limit by half, and the limit says so."""
    limit = upper(45.0, frequency_hz=5000.0, frequency_coefficient=0.5)
    line, reasons = settled(60.0, limit, f_exc_hz=10_000.0)
    assert line.limit is not None and not reasons
    assert line.limit.upper == pytest.approx(67.5) and "5000" in line.limit.note
    assert line.verdict is Verdict.PASS


def test_what_a_limit_was_stated_for_survives_the_record() -> None:
    """A record read back holds the same limit."""
    limit = upper(45.0, angle="unclear", frequency_hz=5000.0)
    assert Limit(measurand=ERROR, **limit.to_dict()) == limit
    assert "angle" not in upper(45.0).to_dict()


def test_a_resistance_limit_at_another_temperature_is_not_compared() -> None:
    """Resistances are brought to 20 degC; a limit stated at 25 degC needs its coefficient."""
    line, reasons = settled(9.0, upper(9.5, "r20_exc", temperature_degc=25.0))
    assert line.verdict is Verdict.NOT_TESTED and reasons[0].code == "limit-condition-differs"
    line, reasons = settled(9.0, upper(10.2, "r20_exc", temperature_degc=25.0, coefficient_per_k=0.00393))
    assert not reasons and line.limit is not None and line.limit.upper == pytest.approx(10.2 * (1 - 5 * 0.00393))
