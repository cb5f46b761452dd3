"""How a line is written: readable units, rounding that never contradicts the verdict, limits with their sign."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from sample import LINES, a_line, a_result, good

from rig.certificate.content import statements as say
from rig.certificate.content.key_lines import bar_of, key_lines
from rig.certificate.content.report import tally
from rig.certificate.content.rows import angle_rows, budgets, groups, impedance_rows, rig_facts
from rig.certificate.words.wording import display, find_measurand, number, short_name
from rig.measurands import MEASURANDS
from rig.quantity import Limit
from rig.result import Judged, Judgement
from rig.uncertainty.conformity import Verdict, verdict_of


@pytest.mark.parametrize(
    ("id_", "wanted"),
    [
        ("r20_exc", ("9.013", "0.024", "Ω", "8.1 … 9.9")),
        ("thermistor_ohm", ("11.1900", "0.0046", "kΩ", "")),
        ("leak_exc_core", ("> 1.21", "", "GΩ", "≥ 20 MΩ")),
        ("l_exc", ("2.2892", "0.0062", "mH", "")),
        ("null_total_sin_v", ("21.8", "2.2", "mV", "≤ 60")),
        ("tr_imbalance", ("0.087", "0.062", "%", "\u22121.5 … 1.5")),
        ("error_max_elec_arcmin", ("38.4", "6.8", "′", "≤ 75")),
        ("pole_pairs", ("4", "", "", "= 4")),
    ],
)
def test_units_and_rounding(id_: str, wanted: tuple[str, str, str, str]) -> None:
    """U has two digits, the estimate ends at the same decimal, the unit gives readable figures, minus is a minus."""
    shown = display(a_line(id_))
    assert (shown.estimate, shown.U, shown.unit, shown.limits) == wanted
    assert shown.k == ("" if id_ == "pole_pairs" else "2.00")


@pytest.mark.parametrize("offset", [-1e-4, -1e-9, 0.0, 1e-9, 1e-4])
def test_print_never_contradicts_the_verdict(offset: float) -> None:
    """At the edge of the acceptance zone the printed figures lead to the printed verdict."""
    r = a_result("tr_imbalance", 0.015, 0.00031)
    assert r.U is not None
    line = a_line("tr_imbalance", 0.015 - r.U + offset)
    shown = display(line)
    again = verdict_of(float(shown.estimate), float(shown.U), -1.5, 1.5, 1.0)
    assert again is line.verdict


@pytest.mark.parametrize(
    ("value", "text"),
    [(0.0, "0"), (10000.04, "10000"), (-0.5, "\u22120.5"), (float("nan"), "–"), (1.2e-7, "0.00000012")],
)
def test_numbers_have_no_exponent(value: float, text: str) -> None:
    """A bare number is printed without exponent and without trailing zeros; what is no number is a dash."""
    assert number(value, 5) == text


def test_every_measurand_has_a_readable_name() -> None:
    """Each measurand, and any order, has a name without underscores under its title and standing alone."""
    for id_ in [*MEASURANDS, "order_12_mech_arcmin", "visual"]:
        for alone in (False, True):
            name = short_name(id_, alone=alone)
            assert name[0].isupper()
            assert "_" not in name
    assert find_measurand("visual").group == "other"


def test_every_line_is_somewhere() -> None:
    """No judged line falls out of the tables: results, impedance, angle and rig facts hold all of them."""
    judged = good().judged
    rows = [row.measurand for group in groups(judged, 1.0) for row in group.rows]
    rows += [row.measurand for row in angle_rows(judged, 1.0, 4)]
    expected = {line.measurand for line in judged if find_measurand(line.measurand).group != "rig"}
    impedance = {"z_exc_mod", "z_exc_phase_deg", "l_exc", "q_exc"}
    assert set(rows) == expected - impedance - {"error_max_mech_arcmin"}
    assert [row.coil for row in impedance_rows(judged)] == ["Excitation"]
    assert len(rig_facts(judged)) == 3
    assert len(rows) == len(set(rows))


def test_impedance_with_a_limit_gets_a_row_each() -> None:
    """As soon as one impedance has a limit, each is a row with its verdict."""
    lines = [a_line(id_) for id_ in ("z_exc_mod", "z_exc_phase_deg", "l_exc", "q_exc")]
    limit = Limit(measurand="z_exc_mod", lower=100.0, upper=200.0, origin="maker")
    lines[0] = Judged(measurand="z_exc_mod", result=lines[0].result, limit=limit, verdict=Verdict.PASS)
    assert impedance_rows(lines) == ()
    assert [row.shown.verdict for row in groups(lines, 1.0)[0].rows] == ["pass", "no limit", "no limit", "no limit"]


def test_angles_stand_both_ways() -> None:
    """Electrical and mechanical figures differ by the pole pairs; the one that is stated carries the limit."""
    rows = {row.measurand: row for row in angle_rows(good().judged, 1.0, 4)}
    assert rows["error_max_elec_arcmin"].elec == ("38.4", "6.8", "′")
    assert rows["error_max_elec_arcmin"].mech == ("9.6", "1.7", "′")
    assert rows["order_8_mech_arcmin"].stated == "mech"
    assert rows["order_8_mech_arcmin"].elec == ("8.1", "2.6", "′")


def test_budgets_are_sorted_and_complete() -> None:
    """Contributions come largest first and their shares of the variance add up to one."""
    made = budgets(good().judged)
    assert len(made) >= 4 and all(budget.rows for budget in made)
    for budget in made:
        shares = [row.share for row in budget.rows]
        assert shares == sorted(shares, reverse=True)
        assert sum(shares) == pytest.approx(1.0)


def test_bars_are_to_scale() -> None:
    """Limit, acceptance zone, estimate and U stand at the same scale along a bar."""
    line = a_line("r20_exc")
    bar = bar_of(line, 1.0)
    assert bar is not None
    assert bar.accept is not None
    assert line.result is not None
    assert line.result.U is not None
    unit = (bar.zone[1] - bar.zone[0]) / (9.9 - 8.1)
    assert bar.estimate - bar.zone[0] == pytest.approx((9.0134 - 8.1) * unit)
    assert bar.u_to - bar.u_from == pytest.approx(2 * line.result.U * unit)
    assert bar.accept[0] - bar.zone[0] == pytest.approx(line.result.U * unit)
    assert (bar.lower, bar.upper, bar.beyond) == ("8.1\u202fΩ", "9.9\u202fΩ", "")


@pytest.mark.parametrize(
    ("id_", "estimate", "beyond"),
    [("error_max_elec_arcmin", 412.0, "right"), ("tr_imbalance", -0.12, "left"), ("leak_exc_core", 1e9, "right")],
)
def test_bars_say_what_is_off_the_scale(id_: str, estimate: float, beyond: str) -> None:
    """An estimate beyond the scale, or "greater than", is an arrow at the edge, never a dot inside."""
    bar = bar_of(a_line(id_, estimate), 1.0)
    assert bar is not None
    assert bar.beyond == beyond


def test_a_bar_needs_a_sound_estimate_and_a_zone() -> None:
    """Without limit or estimate, for a spoiled line and for a single permitted value there is no bar."""
    spoiled = a_line("r20_exc")
    spoiled = Judged(measurand="r20_exc", result=spoiled.result, limit=spoiled.limit, verdict=Verdict.NOT_TESTED)
    for line in (spoiled, a_line("l_exc"), a_line("pole_pairs")):
        assert bar_of(line, 1.0) is None


@pytest.mark.parametrize("id_", [id_ for id_, row in LINES.items() if row[4] and row[1]])
def test_bars_keep_to_the_paper(id_: str) -> None:
    """Whatever the estimate, every place of a bar lies within it and in order."""
    for estimate in (-1e9, -1.0, 0.0, 1e-3, 1.0, 20e6, 1e12):
        bar = bar_of(a_line(id_, estimate), 1.0)
        assert bar is not None
        for low, high in (bar.zone, (bar.u_from, bar.estimate), (bar.estimate, bar.u_to)):
            assert 0.0 <= low <= high <= 1.0


def test_failing_lines_are_key_lines() -> None:
    """Five lines are chosen; a failing subject is always among them, though it is the last in the usual order."""
    lines = [a_line(id_) for id_ in LINES if id_ != "thermistor_minus_coil_degc"]
    lines.append(a_line("thermistor_minus_coil_degc", 19.0))
    key = key_lines(lines, 1.0)
    assert len(key) == 5
    assert [k.verdict for k in key].count("fail") == 1
    assert key[-1].measurand == "thermistor_minus_coil_degc"
    assert key_lines([], 1.0) == ()


def test_risk_is_for_the_k_in_use() -> None:
    """The risk behind a guard band of U is that of the coverage in use; other multiples go through the distribution."""
    lines = [a_line("r20_exc")]
    assert "2.3 %" in say.risk_text(lines, 1.0)
    assert "50 %" in say.risk_text(lines, 0.0)
    assert "4.8 %" in say.risk_text(lines, 0.83)
    assert "no risk can be stated" in say.risk_text([], 1.0)


def test_no_accreditation_words() -> None:
    """No sentence claims what an accredited laboratory may claim."""
    said = " ".join(str(v) for v in vars(say).values() if isinstance(v, str | tuple | dict))
    assert not re.search(r"\b(certified|CMC|ILAC-MRA|calibration laboratory|calibration certificate)\b", said)
    assert re.findall(r"\S*accredited", said) == ["non-accredited"]


def test_a_spoiled_line_carries_neither_figure_nor_uncertainty_nor_verdict() -> None:
    """On paper it shows a dash, its limit and the reason; it has no bar, no budget and no part in the risk."""
    kept = a_line("tr_sin")
    spoiled = replace(kept, verdict=Verdict.NOT_TESTED, spoiled="skew", note="skew: The channels lag.")
    shown = display(spoiled)
    assert (shown.estimate, shown.U, shown.k) == ("–", "", "")
    assert shown.verdict == "not tested" and shown.limits == display(kept).limits and "skew" in shown.note
    assert bar_of(spoiled, 1.0) is None and budgets([spoiled]) == ()
    assert "no risk can be stated" in say.risk_text([spoiled], 1.0)
    angle = a_line("error_max_elec_arcmin")
    (row,) = angle_rows([replace(angle, verdict=Verdict.NOT_TESTED, spoiled="skew")], 1.0, 4)
    assert row.elec[:2] == ("–", "") and row.mech[:2] == ("–", "")


def test_an_unsound_report_counts_no_passes() -> None:
    """Nothing is said about the part: no tally of passes stands beside that sentence."""
    lines = (a_line("tr_sin"), replace(a_line("tr_cos"), verdict=Verdict.NOT_TESTED, spoiled="skew"))
    judged = Judgement(outcome="unsound measurement", judged=lines, reasons=(), findings=())
    assert tally(judged) == "1 of 2 lines spoiled; the others are no verdict about the part"
    assert "pass" in tally(replace(judged, outcome="undecided"))
