"""Single rules of the search for pins, each at its threshold: what is asked, what is said, what is refused."""

import math
from collections.abc import Sequence

import numpy as np
import pytest
from invented_parts import Made
from test_ac_test import driven_coils

from rig.evaluation.inspection.thresholds import OPEN_OHM
from rig.pins.ac_test import evaluate_ac
from rig.pins.by_hand.probing import Probing
from rig.pins.pin_map import PinMap
from rig.pins.readings import PairReading, PairTable
from rig.pins.search import identify, odd_one_out
from rig.pins.sensors import NTC_R25_OHM, sensor_kind
from rig.pins.thresholds import COIL_OHM, LARGEST_GAP_ELEC_DEG, LEAK_BLOCKS_OHM, RECIPROCITY

COILS = (("1", "2", 9.0), ("3", "4", 15.0), ("5", "6", 15.1))


def report(resistors: Sequence[tuple[str, str, float]], pins: int = 6, lead_ohm: float | None = 0.0) -> PinMap:
    """The pin map of a part, every pair and the core read exactly."""
    names = [str(n + 1) for n in range(pins)]
    made = Made(names, list(resistors))
    nodes = [*names, "core"]
    readings = [
        PairReading(pin_a=a, pin_b=b, ohm=ohm if (ohm := made.ohm(a, b)) < 50e6 else math.inf)
        for i, a in enumerate(nodes)
        for b in nodes[i + 1 :]
    ]
    return identify(PairTable(tuple(readings), lead_ohm))


def test_the_evidence_holds_the_true_percentages() -> None:
    """15 and 16.5 ohm differ by 10 %; 5 ohm stands three times away."""
    odd = odd_one_out((5.0, 15.0, 16.5))
    assert odd.evidence == "15 and 16.5 ohm differ by 10.0 %, 5 ohm stands 200 % away from the nearer"
    assert (odd.pair, odd.away) == (pytest.approx(0.1), pytest.approx(2.0))


def test_a_whole_table_leaves_only_the_labelings_open() -> None:
    """No pair is asked for, no sensor doubted; one coil odd: strong by 30 %, fair by 20 %."""
    found = report(COILS)
    assert [item.what for item in found.undecided] == ["which output is the sine, and the sign of each"]
    assert (found.confidence, found.may_excite, found.missing, found.unread) == ("strong", True, (), ())
    fair = report((("1", "2", 12.6), *COILS[1:]))
    assert (fair.confidence, fair.may_excite) == ("fair", True)
    assert fair.assignment is not None and "does not stand far out" in fair.assignment.against


@pytest.mark.parametrize("ohm", NTC_R25_OHM)
def test_every_usual_ntc_at_25_degc_is_named_by_its_nominal(ohm: float) -> None:
    """1 k to 200 k; ten times less or more is no NTC of another nominal."""
    assert sensor_kind(ohm).r25_ohm == ohm or sensor_kind(ohm).kinds[0] in ("pt1000", "silicon")
    assert ohm in (1e3, 2.2e3, 3e3, 5e3, 10e3, 20e3, 30e3, 50e3, 100e3, 200e3)


@pytest.mark.parametrize(
    ("coils", "pins", "outcome", "words"),
    [
        (2, 8, "undecided", "two coils"),
        (2, 4, "not this kind", "two-winding"),
        (1, 4, "not this kind", "a tachogenerator or a pick-up"),
        (0, 4, "undecided", "no coil found"),
    ],
)
def test_fewer_than_three_coils_are_told_apart_by_what_is_left(coils: int, pins: int, outcome: str, words: str) -> None:
    """Two coils beside open pins may be this kind with an open coil; two coils on four pins, or one, are not."""
    found = report(COILS[:coils], pins)
    assert (found.outcome, found.may_excite) == (outcome, False)
    assert words in " ".join([*(r.text for r in found.reasons), *(u.why for u in found.undecided)])


def test_a_fourth_circuit_is_a_second_pair_a_cold_ptc_or_unknown() -> None:
    """9, 9, 40 and 40 ohm are a two-speed part; 9, 15, 15 and 85 have a PTC; 9, 15, 15.1 and 15.2 are not told."""
    two = report((("1", "2", 9.0), ("3", "4", 9.1), ("5", "6", 40.0), ("7", "8", 40.5)), 8)
    assert (two.outcome, "4 coils" in two.reasons[0].text) == ("not this kind", True)
    ptc = report((*COILS, ("7", "8", 85.0)), 8)
    assert [s.circuit.pins for s in ptc.sensors] == [("7", "8")] and "7" in ptc.never_excite
    unknown = report((*COILS, ("7", "8", 15.9)), 8)
    assert unknown.outcome == "undecided" and not unknown.may_excite


def test_a_leak_counts_below_twenty_megohm_and_forbids_below_ten_kiloohm() -> None:
    """19 Mohm is told, 21 Mohm is open; 10.1 kohm lets the test be made, 9.9 kohm does not."""
    assert (OPEN_OHM, LEAK_BLOCKS_OHM, COIL_OHM) == (20e6, 1e4, 1e3)
    codes = {ohm: [f.code for f in report((*COILS, ("1", "core", ohm))).findings] for ohm in (19e6, 21e6)}
    assert codes == {19e6: ["leak-coil-core"], 21e6: []}
    assert [report((*COILS, ("1", "3", ohm))).may_excite for ohm in (10.1e3, 9.9e3)] == [True, False]


def test_the_probe_says_why_it_is_asked() -> None:
    """A partner is sought first; then whether a pin is empty, whether circuits are apart, and each against the core."""
    probing = Probing(("1", "2", "3", "4", "5"), core=True)
    said: list[tuple[str, str, str]] = []
    while (asked := probing.next_pair()) is not None:
        pair = {asked.pin_a, asked.pin_b}
        probing.put(asked.pin_a, asked.pin_b, 9.0 if pair in ({"1", "2"}, {"3", "4"}) else math.inf)
        said.append((asked.pin_a, asked.pin_b, asked.why))
    whys = [why for *_, why in said]
    assert whys[0] == "likeliest to be one circuit"
    for a, b, why in said:
        if b == "core":
            assert why == "is it clear of the core?"
        elif why != "likeliest to be one circuit":
            assert why == ("is this pin empty?" if "5" in (a, b) else "are these circuits apart?")
    assert whys[-3:] == ["is it clear of the core?"] * 3 and "are these circuits apart?" in whys


@pytest.mark.parametrize(("gap_elec_deg", "decided"), [(74.2, True), (77.0, False)])
def test_a_cycle_counts_as_passed_up_to_a_gap_of_75_deg(gap_elec_deg: float, decided: bool) -> None:
    """The gap where the circle closes counts like any other."""
    assert LARGEST_GAP_ELEC_DEG == 75.0
    stops = np.arange(40) * 0.6180339887498949 % 1.0
    span = (1.0 - gap_elec_deg / 360.0) / float(np.ptp(stops))
    assert (evaluate_ac(driven_coils(6, pairs=1, span=span)).sine is not None) is decided


@pytest.mark.parametrize(("apart", "sound"), [(0.006, True), (0.014, False)])
def test_both_ways_agree_within_one_percent(apart: float, sound: bool) -> None:
    """Reciprocity: 0.6 % apart passes, 1.4 % is the rig's; the figure is that of the links."""
    found = evaluate_ac(driven_coils(3, one_way=1.0 + apart))
    assert RECIPROCITY == 0.01
    assert (found.reasons == ()) is sound
    assert found.reciprocity == pytest.approx(apart, rel=0.1)


def test_impedance_links_and_pole_pairs_are_those_of_the_coils() -> None:
    """10 + 100j and 16 + 86j ohm, 30 ohm of coupling, four pole pairs."""
    found = evaluate_ac(driven_coils(1))
    assert found.impedance_ohm["1-2"] == pytest.approx(10 + 100j, rel=0.02)
    assert found.impedance_ohm["3-4"] == pytest.approx(16 + 86j, rel=0.02)
    strong = sorted(found.links.values())[1:]
    assert strong == [pytest.approx(30.0, rel=0.05)] * 2 and min(found.links.values()) < 8.0
    assert found.pole_pairs == 4 and found.imbalance == pytest.approx(0.0, abs=0.02)


@pytest.mark.parametrize(("lead_ohm", "coil_ohm", "told"), [(None, 2.9, True), (None, 3.2, False), (0.0, 1.2, False)])
def test_leads_decide_only_for_small_circuits_that_may_hold_them(
    lead_ohm: float | None, coil_ohm: float, told: bool
) -> None:
    """Below 3 ohm without a lead zero: undecided; with one, never."""
    found = report((("1", "2", 9.0), ("3", "4", coil_ohm), ("5", "6", coil_ohm)), lead_ohm=lead_ohm)
    assert ([r.code for r in found.reasons] == ["leads-not-zeroed"]) is told


def test_pairs_that_are_left_to_read_are_named_in_the_connectors_order() -> None:
    """Pins 7 and 10 of which nothing is known: every pair by which they could belong to a circuit, 2 before 10."""
    rows = [*COILS, *((a, b, math.inf) for a, b in (("1", "3"), ("1", "5"), ("3", "5")))]
    readings = tuple(PairReading(pin_a=a, pin_b=b, ohm=ohm) for a, b, ohm in rows)
    found = identify(PairTable(readings, 0.0, pins_named=("10", "7")))
    assert found.missing == (("1", "7"), ("1", "10"), ("3", "7"), ("3", "10"), ("5", "7"), ("5", "10"), ("7", "10"))
    assert (found.outcome, found.blocked_by, found.empty) == ("undecided", "pairs not measured", ())
    assert "7 pairs" in found.undecided[0].why and "Measure 1-7, 1-10, 3-7" in found.undecided[0].settled_by


def test_a_coil_is_read_where_its_resistance_is_lowest() -> None:
    """Pins 1 and 7 are one piece of wire: the coil is named by the pair that reads lowest, and 1-7 is joined."""
    rows = [("1", "2", 9.04), ("7", "2", 9.02), ("1", "7", 0.1), *COILS[1:]]
    found = identify(PairTable(tuple(PairReading(pin_a=a, pin_b=b, ohm=ohm) for a, b, ohm in rows), 0.0))
    assert (found.coils[0].pins, found.coils[0].ohm, found.joined) == (("2", "7"), 9.02, (("1", "7"),))
    assert "1" in found.never_excite


def test_leads_come_off_every_reading_and_never_below_zero() -> None:
    """0.2 ohm off 9.2; 0.1 ohm is zero; 20 Mohm and more is open."""
    table = PairTable((), 0.2)
    assert [table.less_leads(ohm) for ohm in (9.2, 0.1, 19.9e6, 20e6)] == [
        pytest.approx(9.0),
        0.0,
        19.9e6 - 0.2,
        math.inf,
    ]
    assert PairTable((), None).less_leads(9.2) == 9.2


@pytest.mark.parametrize(
    ("there", "back", "one_way"), [(600.0, 570.0, True), (9.0, 9.09, False), (1e4, 1.02e4, False), (1e4, 1.04e4, True)]
)
def test_polarity_counts_beyond_three_percent_and_a_tenth_of_an_ohm(there: float, back: float, one_way: bool) -> None:
    """A semiconductor conducts better one way; a contact's tenth of an ohm does not make one."""
    assert PairReading(pin_a="1", pin_b="2", ohm=there, reversed_ohm=back).one_way is one_way


def test_a_sensor_off_the_usual_values_says_so() -> None:
    """1.9 kohm is between a Pt1000 and an NTC; 800 kohm is an NTC of no usual value; 1100 ohm may be either of two."""
    assert sensor_kind(1.09e3, both_ways=True).kinds == ("pt1000", "ntc")
    assert sensor_kind(8e5).note.endswith("of no usual nominal value")
    assert sensor_kind(2e3).r25_ohm in (2000.0, 2.2e3) and "silicon" in sensor_kind(2e3).kinds
    assert sensor_kind(15.0).kinds == ("ntc", "ptc", "silicon") and "no usual sensor" in sensor_kind(15.0).note


@pytest.mark.parametrize(("lead_ohm", "fits"), [(0.5, True), (4.0, False)])
def test_sums_along_several_coils_allow_one_lead_for_each_of_them(lead_ohm: float, fits: bool) -> None:
    """Three coils in a row, each pair with the leads in it once: the sum of three holds them twice too often. Half an
    ohm is what leads have; two ohm is no sum of these coils."""
    at = {"1": 0.0, "2": 20.0, "3": 50.0, "4": 85.0}
    pairs = [(a, b) for a in at for b in at if a < b]
    rows = [PairReading(pin_a=a, pin_b=b, ohm=at[b] - at[a] + lead_ohm) for a, b in pairs]
    found = identify(PairTable(tuple(rows), None))
    assert (len(found.coils) == 3) is fits
    if fits:
        assert [coil.shared for coil in found.coils] == [("2",), ("2", "3"), ("3",)]


def test_two_circuits_that_leak_everywhere_are_wet_and_pins_that_touch_nothing_do_not_dilute_it() -> None:
    """Three coils with all six couples, core included, at 100 kohm beside six empty pins: moisture; two couples of six
    are leaks."""
    every = [("1", "3"), ("1", "5"), ("3", "5"), ("1", "core"), ("3", "core"), ("5", "core")]
    wet = report((*COILS, *((a, b, 3e5) for a, b in every)), 12)
    assert [f.code for f in wet.findings] == ["moisture"] and "6 of 6 couples" in wet.findings[0].evidence
    some = report((*COILS, ("1", "core", 3e5)), 12)
    assert [f.code for f in some.findings] == ["leak-coil-core"]


@pytest.mark.parametrize(
    ("resistors", "outcome"),
    [
        ((("1", "2", 10.0), ("2", "3", 30.0), ("3", "1", 70.0)), "undecided"),
        ((("1", "2", 10.0), ("2", "3", 30.0), ("3", "4", 70.0), ("4", "1", 90.0)), "not this kind"),
        ((("1", "2", 10.0), ("2", "3", 10.1), ("3", "1", 9.9)), "not this kind"),
    ],
)
def test_pins_that_hang_together_in_a_ring_are_no_chain_of_coils(
    resistors: tuple[tuple[str, str, float], ...], outcome: str
) -> None:
    """Three unlike between three pins stay open, four between four pins are electronics, three alike a transmitter."""
    found = report(resistors, 4)
    assert (found.outcome, found.may_excite) == (outcome, False)
