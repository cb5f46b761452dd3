"""Plans: every row of the published tables, computed plans, the k method, what small samples can say."""

import csv
import math
import os
from pathlib import Path

import numpy as np
import pytest

from rig.statistics.sampling_plan import (
    LEVELS,
    acceptance,
    code_letter,
    computed_plan,
    every_unit,
    finite_acceptance,
    mil_std_105e,
    own_plan,
    table_plan,
)
from rig.statistics.small_samples import bad_not_excluded, good_needed, share_below, share_interval, size_to_find
from rig.statistics.variables_plan import VariablesPlan, judge_variables, variables_acceptance, variables_plan

TRUTHS = Path(os.environ.get("ANGLEWRIGHT_SHARED", "/nowhere")) / "truths"
shared = pytest.mark.skipif(not TRUTHS.is_dir(), reason="ANGLEWRIGHT_SHARED is not set: the tables stand elsewhere")


def rows(name: str) -> list[dict[str, str]]:
    return list(csv.DictReader((TRUTHS / name).read_text().splitlines()))


@shared
def test_every_row_of_the_published_single_sampling_tables() -> None:
    """1248 rows: three severities, sixteen codes, 26 AQLs; n, Ac and Re."""
    table = rows("milstd105e_single_plans.csv")
    assert len(table) == 1248
    for row in table:
        plan = table_plan(row["code"], float(row["AQL"]), row["severity"])
        assert (plan.n, plan.accept, plan.reject) == (int(row["n"]), int(row["Ac"]), int(row["Re"])), row


@shared
def test_every_code_letter_at_both_ends_of_its_lots() -> None:
    """Fifteen sizes of lots at seven levels."""
    for row in rows("iso2859_code_letters.csv"):
        ends = [int(end) for end in row["lot_size"].rstrip("+").split("-")]
        for level in LEVELS:
            assert {code_letter(end, level) for end in ends} == {row[level]}


def test_spots_of_the_tables_without_the_shared_files() -> None:
    """Level II: 3201 to 10000 at 1.5 is L; small lots; a plan of the lot's size tests every unit."""
    plans = {s: mil_std_105e(5000, 1.5, severity=s) for s in ("normal", "tightened", "reduced")}
    assert [(p.n, p.accept, p.reject) for p in plans.values()] == [(200, 7, 8), (200, 5, 6), (80, 3, 6)]
    assert (mil_std_105e(20, 2.5).n, mil_std_105e(20, 1.0).n) == (5, 13)
    assert mil_std_105e(8, 0.40).n == 8  # the table says 32
    assert plans["reduced"].answer(4) == "accepted, back to normal"
    assert [plans["normal"].answer(d) for d in (7, 8)] == ["accepted", "not accepted"]
    assert plans["normal"].source == "MIL-STD-105E"


@shared
def test_published_curves_and_plans_computed_from_two_risks() -> None:
    """Every row of the reference file, to its digits."""
    truth = {(row["case"], row["p"]): row["value"] for row in rows("sampling_oc_truths.csv")}
    for n, c, p in ((20, 0, 0.05), (20, 0, 0.15), (200, 7, 0.013), (200, 7, 0.064)):
        assert acceptance(n, c, p) == pytest.approx(float(truth[f"Pa n={n} c={c}", f"{p:g}"]), abs=6e-7)
    attributes = computed_plan(0.05, 0.95, 0.15, 0.075)
    assert f"n={attributes.n} c={attributes.accept}" == truth["find attributes PRP(.05,.95) CRP(.15,.075)", ""]
    known = variables_plan(0.05, 0.95, 0.15, 0.075, sigma_known=True)
    assert f"n={known.n} k={known.k:.6f}" == truth["find variables sigma known same risks", ""]
    unknown = variables_plan(0.05, 0.95, 0.15, 0.075)
    told = truth["find variables sigma unknown same risks", ""]
    assert told.startswith(f"n={unknown.n} ") and f"{unknown.k:.6f}" in told
    assert variables_acceptance(75, 1.84097, 0.015) == pytest.approx(
        float(truth["Pa n=75 k=1.84097 sigma unknown", "0.015"]), abs=6e-7
    )
    assert len(truth) == 9  # the ninth is a row of a table of variables that is not ours: its plan is judged above


def test_a_finite_lot_is_counted_exactly() -> None:
    """The hypergeometric by hand: 5 of 20 with 4 bad; a lot that is too small to hold the risks is tested whole."""
    assert finite_acceptance(5, 0, 4, 20) == pytest.approx(16 * 15 * 14 * 13 * 12 / (20 * 19 * 18 * 17 * 16))
    plan = computed_plan(0.05, 0.95, 0.15, 0.075, lot_size=100)
    assert acceptance(plan.n, plan.accept, 0.05, 100) >= 0.95 and acceptance(plan.n, plan.accept, 0.15, 100) <= 0.075
    assert plan.n < 80
    whole = computed_plan(0.01, 0.99, 0.02, 0.01, lot_size=10)
    assert (whole.n, whole.accept) == (10, 0)


def test_nonsense_is_refused_by_name() -> None:
    """Ac >= Re, an AQL of no table, risks the wrong way round, a level that does not exist."""
    with pytest.raises(ValueError, match="Ac 1, Re 1"):
        own_plan(5, 1, 1)
    with pytest.raises(ValueError, match="AQL 2 "):
        table_plan("C", 2.0)
    with pytest.raises(ValueError, match="good < bad"):
        computed_plan(0.2, 0.95, 0.1, 0.05)
    with pytest.raises(ValueError, match="level 'IV'"):
        code_letter(20, "IV")
    with pytest.raises(ValueError, match="needs a limit"):
        judge_variables([1.0, 2.0], VariablesPlan(n=2, k=1.0), None, None, U=0.0)
    assert every_unit(20).answer(1) == "not accepted"


def test_the_k_method_says_nothing_where_it_can_say_nothing() -> None:
    """Too few figures, a sample that is not like a normal one, a U above a third of s; else both sides have to hold."""
    rng = np.random.default_rng(3)
    plan, x = VariablesPlan(n=20, k=1.5), rng.normal(10.0, 1.0, 20)
    fine = judge_variables(list(x), plan, 4.0, 16.0, U=0.1)
    assert fine.accepted and len(fine.quality) == 2 and (fine.normality or 0.0) > 0.01
    assert judge_variables(list(x), plan, 9.0, 16.0, U=0.1).accepted is False
    assert judge_variables(list(x[:7]), plan, 4.0, 16.0, U=0.1).why == "7 of 20 units have a figure"
    wide = judge_variables(list(x), plan, 4.0, 16.0, U=0.5)
    assert wide.accepted is None and wide.u_decides and "measurement decides" in wide.why
    skew = judge_variables([*x[:18], 40.0, 55.0], plan, None, 100.0, U=0.1)
    assert skew.accepted is None and "normal" in skew.why
    y = list(np.exp(rng.normal(1.0, 0.2, 20)))
    assert judge_variables(y, plan, None, 30.0, U=0.05, log=True).accepted


def test_what_small_samples_can_say_of_this_lot_and_of_the_next() -> None:
    """5 good of 5 of a lot of 20: up to 8 bad; 14 to find 2 of 20; 20 good: the next below 13.9 %; 59 for 95/95."""
    assert bad_not_excluded(5, 0, 20) == 8
    assert finite_acceptance(5, 0, 8, 20) > 0.05 > finite_acceptance(5, 0, 9, 20)
    assert bad_not_excluded(20, 0, 20) == 0 and bad_not_excluded(20, 3, 20) == 3
    assert size_to_find(2, 20, 0.9) == 14
    assert round(100 * share_below(0, 20), 1) == 13.9
    low, high = share_interval(1, 31)
    assert (round(low, 4), round(high, 4)) == (0.0008, 0.1670)
    assert share_interval(0, 10)[0] == 0.0 and share_interval(10, 10)[1] == 1.0
    assert math.isclose(share_interval(0, 10)[1], 1.0 - 0.025**0.1)


@shared
def test_how_many_without_a_failure_as_published() -> None:
    """Every row's one-sided number."""
    for row in rows("nonparametric_min_n.csv"):
        assert good_needed(float(row["coverage"]), float(row["confidence"])) == int(row["n_one_sided"])
