"""Soundness of the DC readings: what is the rig's, what is the part's, and what forbids excitation."""

import pytest
from readings_by_hand import GOOD_PINS, coil, observed, pin_table, reading

from rig.evaluation.evaluated import evaluate
from rig.evaluation.inspection.inspection import Inspection
from rig.pins.isolation import forbids_excitation, wiring_reasons
from rig.pins.readings import pair_table
from rig.pins.search import identify
from rig.quantity import Reading
from rig.result import Reason
from rig.soundness.soundness import soundness

OPEN_SINE = {pair: ohm for pair, ohm in GOOD_PINS.items() if pair != ("3", "4")}
MOVED = {("1", "7"): 15.2, ("3", "6"): 15.2, ("5", "8"): 9.2, ("2", "4"): 11242.0}
EXC_AND_SINE_CROSSED = {("1", "2"): 15.2, ("3", "4"): 9.2, ("5", "6"): 15.2, ("7", "8"): 11242.0}


def inspection(readings: list[Reading]) -> Inspection:
    """A run of these readings alone, ready for soundness."""
    return Inspection(evaluate(observed(readings)))


def reasons_of(seen: Inspection) -> list[Reason]:
    return soundness(seen, wiring_reasons(seen))


def codes(readings: list[Reading]) -> list[str]:
    return [reason.code for reason in reasons_of(inspection(readings))]


def test_a_good_pin_table_gives_no_reason() -> None:
    """Every coil on its pins, everything else open."""
    assert codes(pin_table(GOOD_PINS)) == []


def test_a_voltage_before_anything_is_on_is_a_live_circuit() -> None:
    """12 V between two pins spoils everything and forbids excitation; microvolts of thermal EMF don't."""
    live = [reading("pin_voltage_dc", 12.0, "V", pin_a="1", pin_b="core")]
    quiet = [reading("pin_voltage_dc", 4e-6, "V", pin_a="1", pin_b="core")]
    reason = reasons_of(inspection(live))[0]
    assert (reason.code, reason.spoils) == ("live-circuit", ("*",))
    assert "12" in reason.evidence
    assert [r.code for r in wiring_reasons(inspection(live))] == ["live-circuit"]
    assert wiring_reasons(inspection(quiet)) == []


def test_an_open_coil_is_the_parts_and_no_mismatch() -> None:
    """One coil's own pair open and no unexpected pair closed: the part may still be measured."""
    assert codes(pin_table(OPEN_SINE)) == []
    assert wiring_reasons(inspection(pin_table(OPEN_SINE))) == []


def test_coils_on_other_pins_are_a_mismatch_and_an_adapter_of_another_part() -> None:
    """Expected pairs open, others conduct instead: the map is wrong; where no coil is right, the adapter is."""
    found = codes(pin_table(MOVED))
    assert found == ["pin-map-mismatch", "wrong-adapter"]
    assert [r.code for r in wiring_reasons(inspection(pin_table(MOVED)))] == ["pin-map-mismatch", "wrong-adapter"]


def test_two_coils_on_each_others_pins_are_told_by_their_values() -> None:
    """All pairs conduct, but the excitation's 9 ohm stand on the sine's pins."""
    reasons = reasons_of(inspection(pin_table(EXC_AND_SINE_CROSSED)))
    assert [r.code for r in reasons] == ["pin-map-mismatch"]
    assert "exc" in reasons[0].text and "sin" in reasons[0].text


@pytest.mark.parametrize("wires,ohm", [(2, 1.4), (4, 0.05)])
def test_a_lead_zero_that_no_lead_has_spoils_the_resistances(wires: int, ohm: float) -> None:
    """Only the coils' lines: leaks and ratios keep their verdict."""
    reasons = reasons_of(inspection([reading("lead_zero", ohm, wires=wires)]))
    assert [r.code for r in reasons] == ["leads-not-zeroed"]
    assert set(reasons[0].spoils) == {"r20_exc", "r20_sin", "r20_cos", "r20_match"}


def test_a_check_resistor_that_is_off_says_that_the_meter_is() -> None:
    """101.5 ohm where 100 ohm is fitted."""
    off = [reading("check_resistor", 101.5, wires=4, nominal_ohm=100.0)] * 3
    good = [reading("check_resistor", 100.002, wires=4, nominal_ohm=100.0)] * 3
    assert codes(off) == ["calibration-stale"]
    assert codes(good) == []


def thermometers(thermistor_ohm: float, scale: float) -> list[Reading]:
    """Air at 22 degC, a thermistor, and coils at `scale` times their nominal 22 degC resistance."""
    warm = (234.5 + 22.0) / 254.5 * scale
    coils = [c for n, r in (("exc", 9.0), ("sin", 15.0), ("cos", 15.0)) for c in coil(n, [r * warm], [r * warm])]
    return [
        reading("ambient_temperature", 22.0, "degC", phase="before"),
        *[reading("thermistor_resistance", thermistor_ohm, wires=4, range_ohm=100e3)] * 2,
        *coils,
    ]


def test_a_thermistor_alone_against_air_and_copper_is_the_parts_fault() -> None:
    """7 kohm is 12 K too warm; the copper agrees with the air: no reason, the line is judged."""
    assert codes(thermometers(7000.0, 1.0)) == []


def test_a_warm_part_spoils_what_is_referred_to_20_degc_and_nothing_else() -> None:
    """Thermistor and copper agree that the part is 10 K above the air."""
    reasons = reasons_of(inspection(thermometers(7640.0, 1.039)))
    assert [r.code for r in reasons] == ["temperature-unsettled"]
    assert "r20_exc" in reasons[0].spoils
    assert "r20_match" not in reasons[0].spoils and "tr_sin" not in reasons[0].spoils


def test_air_that_moves_during_the_run_is_unsettled() -> None:
    """1.5 K between before and after."""
    air = [
        reading("ambient_temperature", 22.0, "degC", phase="before"),
        reading("ambient_temperature", 23.5, "degC", phase="after"),
    ]
    assert codes(air) == ["temperature-unsettled"]


def test_repeats_of_a_coil_that_run_away_are_unsettled() -> None:
    """Each repeat lower than the one before, 0.06 % in all: the copper is cooling."""
    air = [reading("ambient_temperature", 22.0, "degC", phase="before")]
    running = coil("exc", [9.006, 9.003, 9.000], [9.006, 9.003, 9.000])
    steady = coil("exc", [9.0001, 9.0, 9.0001], [9.0, 9.0001, 9.0])
    assert codes([*air, *running]) == ["temperature-unsettled"]
    assert codes([*air, *steady]) == []


def forbidden(readings: list[Reading]) -> list[Reason]:
    return forbids_excitation(evaluate(observed(readings)))


def leaks(**ohm: float) -> list[Reading]:
    """Leaks from a coil to the core and between coils; those not named are over range."""
    ends = [*((c, "core") for c in ("exc", "sin", "cos")), ("exc", "sin"), ("exc", "cos"), ("sin", "cos")]
    return [
        reading(
            "leak_resistance",
            ohm.get(c) if to == "core" else None,
            overload=c not in ohm or to != "core",
            range_ohm=100e6,
            **{"from": c, "to": to},
        )
        for c, to in ends
    ]


def test_excitation_is_forbidden_only_once_all_dc_steps_are_done() -> None:
    """An open excitation coil ends the run after the leaks were read, not before: more lines keep a verdict."""
    open_exc = [reading("coil_resistance", None, overload=True, coil="exc", wires=4, polarity="+", range_ohm=1e3)]
    table = pin_table({pair: ohm for pair, ohm in GOOD_PINS.items() if pair != ("1", "2")})
    assert wiring_reasons(inspection([*table, *open_exc])) == []
    reasons = forbidden([*table, *open_exc, *leaks()])
    assert [r.code for r in reasons] == ["excitation-forbidden"]
    assert reasons[0].spoils == ()


def test_a_very_low_leak_of_the_excitation_coil_forbids_excitation() -> None:
    """200 ohm to the core; 1 Mohm is a finding but no danger."""
    coils = coil("exc", [9.1], [9.1])
    assert [r.code for r in forbidden([*coils, *leaks(exc=200.0)])] == ["excitation-forbidden"]
    assert forbidden([*coils, *leaks(exc=1e6)]) == []


def test_the_excitation_coil_is_driven_only_from_readings_that_were_made() -> None:
    """Without its leak to the core, or to a coil, neither read by the leak step nor by the pairs: forbidden, and said
    which; the pairs of a short pin map are enough."""
    coils, every = coil("exc", [9.1], [9.1]), leaks()
    for missing in (0, 3, 4):
        reasons = forbidden([*coils, *every[:missing], *every[missing + 1 :]])
        assert [r.code for r in reasons] == ["excitation-forbidden"] and "isolation" in reasons[0].text
    assert forbidden([*coils, *every[:1], *every[3:5]]) == []
    assert forbidden(pin_table(GOOD_PINS)) == []
    assert "was not read" in forbidden(every)[0].text


def test_a_run_and_a_table_forbid_by_one_threshold() -> None:
    """9.9 kohm to the core forbids in both, 10.1 kohm in neither."""
    for ohm, forbids in ((9.9e3, True), (10.1e3, False)):
        table = pin_table({**GOOD_PINS, ("1", "core"): ohm})
        assert bool(forbidden(table)) is forbids
        assert identify(pair_table(table)).may_excite is not forbids
