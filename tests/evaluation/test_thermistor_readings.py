"""The thermistor: leads off, temperature by its curve, open and shorted ones as bounds; leaks above the range."""

import pytest
from readings_by_hand import coil, observed, reading

from rig.evaluation.coils.leaks import leak_results
from rig.evaluation.coils.temperature import coil_temperature
from rig.evaluation.coils.thermistor import thermistor_results
from rig.evaluation.evaluated import evaluate
from rig.result import Result


def by_id(results: list[Result]) -> dict[str, Result]:
    return {r.measurand: r for r in results}


def test_25_degc_is_where_the_curve_has_its_nominal_resistance() -> None:
    """10 kohm at 25 degC, four-wire: no lead is taken off."""
    readings = [reading("thermistor_resistance", 10_000.0, wires=4, range_ohm=100e3)] * 3
    found = by_id(thermistor_results(observed(readings), 25.0, ()))
    assert found["thermistor_degc"].estimate == pytest.approx(25.0, abs=1e-9)
    assert found["thermistor_minus_coil_degc"].estimate == pytest.approx(0.0, abs=1e-9)


def test_two_wire_readings_lose_the_leads() -> None:
    """The run's own two-wire zero counts before the holder's statement."""
    readings = [
        reading("lead_zero", 0.5, wires=2),
        reading("thermistor_resistance", 10_000.5, wires=2, range_ohm=100e3),
    ]
    found = by_id(thermistor_results(observed(readings), None, ()))
    assert found["thermistor_ohm"].estimate == pytest.approx(10_000.0, abs=1e-9)


def test_an_open_ntc_reads_colder_than_its_range_can_show() -> None:
    """ "< -24 degC" against a warm coil: a bound that fails a limit, not a missing line."""
    readings = [reading("thermistor_resistance", None, overload=True, wires=4, range_ohm=100e3)]
    found = by_id(thermistor_results(observed(readings), 22.0, ()))
    assert found["thermistor_ohm"].qualifier == ">"
    difference = found["thermistor_minus_coil_degc"]
    assert difference.qualifier == "<" and difference.estimate is not None and difference.estimate < -40.0


def test_a_shorted_ntc_reads_hotter_than_its_curve_goes() -> None:
    """0.3 ohm: a temperature above any that the part can have."""
    readings = [reading("thermistor_resistance", 0.3, wires=4, range_ohm=10e3)] * 2
    difference = by_id(thermistor_results(observed(readings), 22.0, ()))["thermistor_minus_coil_degc"]
    assert difference.qualifier == ">" and difference.estimate is not None and difference.estimate > 100.0


def test_the_thermistor_bears_witness_for_the_temperature_of_the_copper() -> None:
    """Agreeing with the air it narrows what is not known of the coil; disagreeing it is no witness."""
    near = observed([reading("ambient_temperature", 22.0, "degC"), reading("thermistor_resistance", 11242.0, wires=4)])
    alone = observed([reading("ambient_temperature", 22.0, "degC")])
    with_witness, without = coil_temperature(near), coil_temperature(alone)
    assert with_witness is not None and without is not None
    assert sum(b.contribution**2 for b in with_witness.lines) < sum(b.contribution**2 for b in without.lines)


def test_a_leak_over_range_is_above_the_upper_end_of_the_range() -> None:
    """ "> 100 Mohm" with the meter's uncertainty there, named by its two ends in either order."""
    readings = [reading("leak_resistance", None, overload=True, range_ohm=100e6, **{"from": "core", "to": "exc"})]
    found = by_id(leak_results(observed(readings)))
    assert (found["leak_exc_core"].qualifier, found["leak_exc_core"].estimate) == (">", 100e6)
    assert found["leak_exc_core"].U is not None and 0.5e6 < found["leak_exc_core"].U < 1.5e6
    assert found["leak_sin_core"].estimate is None


def test_the_lowest_reading_of_a_leak_counts() -> None:
    """A leak that dries is still a leak."""
    ends = {"from": "sin", "to": "core"}
    readings = [reading("leak_resistance", v, range_ohm=10e6, **ends) for v in (3e6, 5e6)]
    assert by_id(leak_results(observed(readings)))["leak_sin_core"].estimate == 3e6


def test_manual_entries_become_results_of_their_own() -> None:
    """An insulation reading from another station keeps its qualifier, its instrument and its caution."""
    readings = [
        reading("manual", 2e9, "ohm", name="insulation 500 V", instrument="IR-7", qualifier=">", caution="discharge"),
        *coil("exc", [9.0], [9.0]),
    ]
    results = evaluate(observed(readings)).results
    entry = results[-1]
    assert (entry.manual, entry.measurand, entry.qualifier, entry.estimate) == (True, "insulation 500 V", ">", 2e9)
    assert entry.conditions["instrument"] == "IR-7" and "discharge" in entry.note
