"""Drawn lots against the drawn curve, the published rows, nested studies of drawn data, a drawn history of fittings."""

from __future__ import annotations

import csv
import math
import os
import tempfile
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import numpy as np
from lot_samples import a_file, a_judgement

from rig.description.parts import load_part
from rig.records.book.jobs import Book
from rig.records.book.lot_entries import FittingOutcome
from rig.records.run.record import RunHeader
from rig.records.store import Store
from rig.review.library.learning import LearningRule
from rig.review.lots.plan import pick_list
from rig.review.units.outcomes import experience, limits_from_outcomes
from rig.statistics.gauge_study import nested_study
from rig.statistics.sampling_plan import acceptance, computed_plan, finite_acceptance, mil_std_105e, table_plan
from rig.statistics.small_samples import share_interval
from rig.statistics.tolerance import two_sided_factor
from rig.statistics.variables_plan import VariablesPlan, judge_variables, variables_acceptance, variables_plan

TRUTHS = Path(os.environ.get("ANGLEWRIGHT_SHARED", "../shared")) / "truths"
Figures = Iterator[tuple[bool, str]]


def checks(quick: bool) -> list[tuple[str, Callable[[], Figures]]]:
    lots = 1000 if quick else 10_000
    return [
        ("published rows", published),
        ("drawn lots", partial(drawn, lots)),
        ("drawn lots by variables", partial(drawn_by_variables, lots)),
        ("nested studies", partial(studies, 600 if quick else 10_000)),
        ("outcomes", partial(outcomes, 40 if quick else 400)),
    ]


def published() -> Figures:
    """Every row of the sampling references to the published digits."""
    rows = list(csv.DictReader((TRUTHS / "milstd105e_single_plans.csv").read_text().splitlines()))
    wrong = [
        row
        for row in rows
        for plan in [table_plan(row["code"], float(row["AQL"]), row["severity"])]
        if (plan.n, plan.accept, plan.reject) != (int(row["n"]), int(row["Ac"]), int(row["Re"]))
    ]
    yield not wrong, f"{len(rows)} plans of the tables, {len(wrong)} wrong"
    found = computed_plan(0.05, 0.95, 0.15, 0.075)
    unknown, known = (variables_plan(0.05, 0.95, 0.15, 0.075, sigma_known=one) for one in (False, True))
    told = f"n {found.n} c {found.accept}; n {unknown.n} k {unknown.k:.6f}; n {known.n} k {known.k:.6f}"
    yield told == "n 80 c 7; n 49 k 1.326535; n 26 k 1.322271", f"from two risks: {told}"
    pa = [acceptance(20, 0, 0.05), acceptance(20, 0, 0.15), acceptance(200, 7, 0.013), acceptance(200, 7, 0.064)]
    pa.append(variables_acceptance(75, 1.84097, 0.015))
    truth = [0.358486, 0.038760, 0.995001, 0.054189, 0.959884]
    yield all(abs(a - b) < 6e-7 for a, b in zip(pa, truth, strict=True)), f"acceptance {[round(x, 6) for x in pa]}"


def drawn(lots: int) -> Figures:
    """Drawn lots: the accepted share lies within three standard errors of the curve, for finite lots."""
    rng = np.random.default_rng(14)
    for size, plan in (
        (20, mil_std_105e(20, 2.5)),
        (100, mil_std_105e(100, 2.5)),
        (60, computed_plan(0.03, 0.9, 0.2, 0.1, 60)),
    ):
        for bad in (1, max(2, size // 20), size // 5, size // 3):
            units = np.zeros(size, dtype=int)
            units[:bad] = 1
            units = rng.permutation(units)
            drawn = (pick_list(a_file(quantity=size), [], size, seed)[: plan.n] for seed in range(1, lots + 1))
            found = [sum(int(units[pick["place"] - 1]) for pick in picks) for picks in drawn]
            share = sum(plan.answer(d).startswith("accepted") for d in found) / lots
            curve = finite_acceptance(plan.n, plan.accept, bad, size)
            error = math.sqrt(max(curve * (1.0 - curve), 1e-9) / lots)
            fine = abs(share - curve) <= 3.0 * error + 1e-12
            yield fine, f"lot {size}, n {plan.n} Ac {plan.accept}, {bad} bad: {share:.4f} of {lots}, curve {curve:.4f}"


def drawn_by_variables(lots: int) -> Figures:
    """The same by the k method, one limit, s unknown: the rule itself on drawn samples."""
    rng = np.random.default_rng(15)
    plan = variables_plan(0.01, 0.95, 0.20, 0.10)
    from scipy.special import ndtri

    for p in (0.01, 0.05, 0.10, 0.20):
        limit = float(ndtri(1.0 - p))
        x = rng.standard_normal((lots, plan.n))
        quality = (limit - x.mean(axis=1)) / x.std(axis=1, ddof=1)
        share = float(np.mean(quality >= plan.k))
        curve = variables_acceptance(plan.n, plan.k, p)
        error = math.sqrt(curve * (1.0 - curve) / lots)
        yield (
            abs(share - curve) <= 3.0 * error,
            f"n {plan.n} k {plan.k:.4f}, {p:g} outside: {share:.4f}, curve {curve:.4f}",
        )
    few = min(lots, 300)
    same = 0
    for row in x[:few]:
        answer = judge_variables(list(row), VariablesPlan(n=plan.n, k=1.0), None, limit, U=0.0)
        ours = (limit - row.mean()) / row.std(ddof=1) >= 1.0
        same += answer.accepted is None or answer.accepted == bool(ours)
    yield same == few, f"the rule as coded agrees with the drawn one on {same} of {few} samples"


def studies(sets: int) -> Figures:
    """Nested studies of 5 x 3 x 2: the 95 % interval of each component holds in 94 to 96 % of drawn sets."""
    rng = np.random.default_rng(16)
    for unit, clamping, repeat in ((1.0, 0.5, 0.2), (2.0, 1.0, 1.0), (1.0, 1.0, 0.1), (1.0, 0.3, 0.6)):
        hits = np.zeros(4)
        for _ in range(sets):
            x = unit * rng.standard_normal((5, 1, 1)) + clamping * rng.standard_normal((5, 3, 1))
            study = nested_study(x + repeat * rng.standard_normal((5, 3, 2)))
            wanted = (repeat**2, clamping**2, unit**2, repeat**2 + clamping**2)
            found = (study.repeats, study.between, study.units, study.measurement)
            hits += [(c.low or 0.0) <= v <= (c.high or 0.0) for c, v in zip(found, wanted, strict=True)]
        shares = 100.0 * hits / sets
        room = 0.0 if sets >= 10_000 else 3.0 * 100.0 * math.sqrt(0.95 * 0.05 / sets)
        fine = bool(np.all((shares >= 94.0 - room) & (shares <= 96.0 + room)))
        told = ", ".join(
            f"{name} {share:.1f} %"
            for name, share in zip(("repeats", "clampings", "units", "both"), shares, strict=True)
        )
        yield fine, f"s unit {unit:g}, clamping {clamping:g}, repeat {repeat:g}: {told} of {sets}"


def outcomes(fittings: int) -> Figures:
    """A drawn history of fittings: words and learned limits, right to the digit."""
    rng = np.random.default_rng(17)
    part = load_part("KX4-2207").model_dump(mode="json", by_alias=True)
    with tempfile.TemporaryDirectory() as folder:
        store = Store(Path(folder))
        truth: dict[str, tuple[bool, float]] = {}
        for n in range(fittings):
            value, cured = float(rng.normal(0.30, 0.004)), bool(rng.random() < 0.9)
            header = RunHeader(
                sequence="full_test",
                started_utc=f"2026-{1 + n // 672:02d}-{1 + n // 24 % 28:02d}T{n % 24:02d}:00:00Z",
                serial=f"F-{n:03d}",
                part=part,
                decision=part["decision"],
            )
            run = store.finish(store.begin(header), judgement=a_judgement(tr_sin=value))
            became = "cured" if cured else "came back"
            entry = FittingOutcome(part="KX4-2207", serial=header.serial, outcome=became, run=run.id, who="operator 2")
            Book(store).add("outcome", entry, "at_utc")
            truth[header.serial] = (cured, value)
        header = RunHeader(sequence="full_test", started_utc="2026-12-30T00:00:00Z", serial="NEW", part=part)
        fresh = store.finish(store.begin(header), judgement=a_judgement())
        good = sum(cured for cured, _ in truth.values())
        low, high = share_interval(good, fittings)
        ends_said = f"95 %: {100 * low:.1f} to {100 * high:.1f} %"
        wanted = f"of {fittings} like this (KX4-2207, within limits), {good} cured ({ends_said})"
        said = str(experience(store, fresh))
        yield said == wanted, f"said {said!r}"
        rule = LearningRule(coverage=0.99)
        limits = limits_from_outcomes(store, "KX4-2207", rule)
        values = np.array([value for cured, value in truth.values() if cured])
        k = two_sided_factor(values.size, 0.99, 0.95)
        ends = values.mean() - k * values.std(ddof=1), values.mean() + k * values.std(ddof=1)
        line, limit = limits.lines["tr_sin"], next(one for one in limits.limits if one.measurand == "tr_sin")
        exact = abs((line.lower or 0.0) - ends[0]) < 1e-12 and abs((line.upper or 0.0) - ends[1]) < 1e-12
        yield exact and limits.n == good, f"{limits.n} cured units teach; tr_sin {line.lower:.6f} to {line.upper:.6f}"
        outward = (limit.lower or 0.0) <= ends[0] and (limit.upper or 0.0) >= ends[1] and limit.origin == "outcomes"
        yield outward, f"printed {limit.lower} to {limit.upper}, origin {limit.origin!r}: {limit.note}"
