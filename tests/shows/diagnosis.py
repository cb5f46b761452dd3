"""What diagnosis promised, with figures: python tests/shows/diagnosis.py [--quick] [--worlds N] [--processes N]

Each check prints its figures and says ok or SHORT; the exit status is non-zero when one falls short. --quick: factors,
coverage, cases from elsewhere and a few worlds, under a minute. The whole blind trial takes 20 minutes of one core;
--keep FILE writes one JSON line a world and picks up there when started again; --out FOLDER keeps tables and figure.
"""

from __future__ import annotations

import argparse
import csv
import dataclasses
import json
import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from contextlib import ExitStack
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy loads
TOP = Path(__file__).parents[2]
sys.path[:0] = [str(TOP / "tests" / room) for room in ("evaluation", "review", "shows")]

import numpy as np  # noqa: E402
from diagnosis_parts.further import FIRST, KINDS, further  # noqa: E402
from diagnosis_parts.recorded import SHARED_NAMES, SHARED_TESTS, counted, fresh  # noqa: E402
from diagnosis_parts.tables import confusion, detection_limits, figure, reliability  # noqa: E402
from diagnosis_parts.worlds import Case, cases  # noqa: E402
from observed_from_world import Rehearsal, world_of  # noqa: E402

from rig.observed import Observed  # noqa: E402
from rig.quantity import Reading  # noqa: E402
from rig.result import Judgement  # noqa: E402
from rig.review.judge import judge  # noqa: E402
from rig.statistics.tolerance import two_sided_factor  # noqa: E402

SEED = 20261125
SHARED = Path(os.environ.get("ANGLEWRIGHT_SHARED") or TOP.parent / "shared")
BAD = ("outside limits",)
SHORT: list[str] = []


def told(name: str, good: bool, figures: str) -> None:
    """One line of the show."""
    print(f"{'ok   ' if good else 'SHORT'} {name}: {figures}", flush=True)
    if not good:
        SHORT.append(name)


# ---- learned limits -----------------------------------------------------------------------------------------


def factors() -> None:
    """Two-sided tolerance factors against the reference table."""
    table = SHARED / "truths" / "tolerance_factors_exact.csv"
    if not table.is_file():
        told("tolerance factors", False, f"NOT RUN: no reference table at {table} (ANGLEWRIGHT_SHARED)")
        return
    levels = {"k2_conf90_cov95": (0.95, 0.90), "k2_conf95_cov95": (0.95, 0.95), "k2_conf95_cov99": (0.99, 0.95)}
    rows = list(csv.DictReader(table.read_text().splitlines()))
    worst = max(abs(two_sided_factor(int(r["n"]), *levels[c]) - float(r[c])) for r in rows for c in levels)
    told("tolerance factors", worst <= 1e-5, f"largest difference {worst:.1e} over n = 2 to 30; at most 1e-5")


def coverage(libraries: int) -> None:
    """How often limits learned from n parts really hold the coverage that they state."""
    from scipy.special import ndtr

    rng, allowed = np.random.default_rng(SEED), 0.01
    for n, share in ((3, 0.95), (5, 0.95), (10, 0.99), (20, 0.95)):
        x = rng.standard_normal((libraries, n))
        half = two_sided_factor(n, share, 0.95) * x.std(axis=1, ddof=1)
        held = float(np.mean(ndtr(x.mean(axis=1) + half) - ndtr(x.mean(axis=1) - half) >= share))
        figures = f"{100 * held:.2f} % of {libraries} libraries of {n} hold {100 * share:g} % of all parts; 95 stated"
        told(f"coverage of learned limits, n = {n}", abs(held - 0.95) <= allowed, figures)


# ---- the blind trial ----------------------------------------------------------------------------------------


class Driven(Rehearsal):
    """A run whose source gives `factor` of what it was set to, and which records what that was."""

    def __init__(self, *args: Any, factor: float = 1.0, **named: Any) -> None:
        super().__init__(*args, **named)
        self.factor, self.told_v_rms = factor, 0.0

    def source(self, on: bool, coil_v_rms: float = 0.0) -> None:
        """The setting is `coil_v_rms` through the amplifier's stated gain."""
        self.told_v_rms = coil_v_rms / self.bench.generator.amplifier_gain
        super().source(on, self.factor * coil_v_rms)

    def capture(self, series: str, level: float, **where: Any) -> Any:
        """One capture, beside the setting of the source where it rises."""
        told = {"generator_v_rms": self.told_v_rms} if series == "ramp" else {}
        return super().capture(series, level, **told, **where)


def observe(case: Case) -> Observed:
    """A full test on the case's world; its answer stays behind."""
    world, points = world_of(case.world), case.run.get("points", 320)
    rehearsal = Driven(world, 1, case.part, points=points, factor=case.run.get("source", 1.0)).dc()
    if case.run.get("loopback", True):
        rehearsal.loopback()
    for name, text in case.run.get("entries", {}).items():
        rehearsal.read("manual", "manual", text, "", name=name)
    seen = rehearsal.excite().sweep().turning().impedances().observed(**case.run.get("header", {}))
    if "copied" in case.run:
        first, onto, count = case.run["copied"]
        codes = rehearsal.kept.codes["sweep_ccw"]
        codes[onto : onto + count] = [block.copy() for block in codes[first : first + count]]
    if "disordered" in case.run:
        seen = dataclasses.replace(seen, readings=disordered(seen.readings, *case.run["disordered"]))
    if "lost" in case.run:
        first, count = case.run["lost"]
        gone = range(10 * first, 10 * (first + count))
        kept = tuple(r for r in seen.readings if not _swept_in(r.capture, r.conditions.get("position_steps"), gone))
        seen = dataclasses.replace(seen, readings=kept)
    return seen


def disordered(readings: tuple[Reading, ...], first: int, other: int) -> tuple[Reading, ...]:
    """Two records of the first pass exchanged in the journal, each line with the time of its own reading."""
    begun = datetime(2026, 11, 25, 8, tzinfo=UTC)
    made = [
        dataclasses.replace(r, time_utc=(begun + timedelta(seconds=r.bench_time_s)).isoformat().replace("+00:00", "Z"))
        for r in readings
    ]
    swept = [i for i, r in enumerate(made) if str(r.capture).startswith("sweep_ccw/")]
    a, b = swept[first], swept[other]
    made[a], made[b] = made[b], made[a]
    return tuple(made)


def _swept_in(capture: str | None, position: Any, gone: range) -> bool:
    return bool(capture) and str(capture).startswith("sweep") and int(position or 0) in gone


def row(number: int, case: Case, judgement: Judgement) -> dict[str, Any]:
    """What was said about a case, beside what was right."""
    spoiled = {line.measurand for line in judgement.judged if line.verdict.value == "not tested"}
    measured = {line.measurand for line in judgement.judged}
    named = [r for r in judgement.reasons if r.code in case.right]
    partly = any(r.spoils and (set(r.spoils) & measured) <= spoiled for r in named)
    findings = [(f.code, f.probability) for f in judgement.findings]
    return {
        "number": number,
        "group": case.group,
        "kind": case.kind,
        "part": case.part,
        "severity": case.severity,
        "outcome": judgement.outcome,
        "reasons": sorted({r.code for r in judgement.reasons}),
        "findings": findings,
        "right": list(case.right),
        "told_unsound": judgement.outcome == "unsound measurement" or partly,
        "named": bool([code for code, _ in findings if code != "no-fault-found"]),
        "tooth": _tooth(case, judgement),
    }


def _tooth(case: Case, judgement: Judgement) -> str:
    found = next((f for f in judgement.findings if f.code == "shorted-turns"), None)
    return found.text if case.kind == "shorted turns" and found else ""


def drawn_case(number: int) -> Case:
    """The case of a number: of the trial, or of the further kinds."""
    return further(number, SEED) if number >= FIRST else cases(number + 1, SEED, number)[-1]


def one(number: int) -> dict[str, Any]:
    """The case of a number, run and judged."""
    case = drawn_case(number)
    return row(number, case, judge(observe(case)))


def trial(first: int, count: int, keep: Path | None, processes: int) -> list[dict[str, Any]]:
    """Every case judged; those that `keep` has already, of the same fault, are taken from there."""
    known: dict[int, dict[str, Any]] = {}
    if keep and keep.is_file():
        drawn = {i: (case.kind, case.severity) for i in range(first, first + count) for case in (drawn_case(i),)}
        kept = map(json.loads, keep.read_text().splitlines())
        known = {r["number"]: r for r in kept if drawn.get(r["number"]) == (r["kind"], r["severity"])}
    numbers, start = range(first, first + count), time.monotonic()
    missing = [n for n in numbers if n not in known]
    with ExitStack() as stack:
        run = stack.enter_context(ProcessPoolExecutor(processes)).map if processes > 1 else map
        for made in run(one, missing):
            known[made["number"]] = made
            if keep:
                with keep.open("a") as out:
                    out.write(json.dumps(made) + "\n")
    print(f"      worlds {first} to {first + count - 1}, seed {SEED}, {time.monotonic() - start:.0f} s")
    return [known[n] for n in numbers]


def figures(rows: list[dict[str, Any]]) -> None:
    """The five promises over the rows."""
    rig, part, good = ([r for r in rows if r["group"] == g] for g in ("rig", "part", "good"))
    told_rig = [r for r in rig if r["told_unsound"]]
    blamed = [r for r in rig if r["outcome"] in BAD]
    found = [r for r in part if r["outcome"] in BAD or (r["named"] and r["outcome"] != "unsound measurement")]
    first = [r for r in part if r["findings"] and r["findings"][0][0] in r["right"]]
    three = [r for r in part if {code for code, _ in r["findings"][:3]} & set(r["right"])]
    called = [r for r in good if r["outcome"] in BAD or r["named"]]
    _share("rig faults told as unsound", told_rig, rig, least=0.98)
    _share("rig faults reported as a bad part", blamed, rig, most=0.01)
    _share("bad parts outside limits or named", found, part, least=0.95)
    _share("right finding first", first, part, least=0.85)
    _share("right finding among the first three", three, part, least=0.97)
    _share("good parts called bad", called, good, most=0.02)
    for r in rows:
        wrong = (r in rig and (r not in told_rig or r in blamed)) or (r in part and (r not in first or r not in found))
        if wrong or r in called:
            print(
                f"      {r['number']}: {r['kind']} ({r['severity']}): {r['outcome']}; {r['reasons']}; {r['findings']}"
            )


def further_kinds(rows: list[dict[str, Any]]) -> None:
    """The kinds that are no part of the trial: told as they should be, kind by kind."""
    right = [r for r in rows if _right(r)]
    by_kind: dict[str, list[bool]] = {}
    for r in rows:
        by_kind.setdefault(f"{r['group']}: {r['kind']}", []).append(r in right)
    _share("further kinds told rightly", right, rows, least=0.95)
    for kind, held in by_kind.items():
        print(f"      {kind}: {sum(held)} of {len(held)}")
    for r in rows:
        if r not in right:
            print(
                f"      {r['number']}: {r['kind']} ({r['severity']}): {r['outcome']}; {r['reasons']}; {r['findings']}"
            )


def _right(r: dict[str, Any]) -> bool:
    """A rig fault is unsound and no bad part; a bad part is not unsound, and its finding is first."""
    if r["group"] == "rig":
        return bool(r["told_unsound"]) and r["outcome"] not in BAD
    return r["outcome"] != "unsound measurement" and bool(r["findings"]) and r["findings"][0][0] in r["right"]


def _share(name: str, hits: list[Any], of: list[Any], least: float = 0.0, most: float = 1.0) -> None:
    share = len(hits) / max(len(of), 1)
    bound = f"at least {100 * least:g} %" if least else f"at most {100 * most:g} %"
    told(name, least <= share <= most and bool(of), f"{len(hits)} of {len(of)} ({100 * share:.1f} %); {bound}")


def tables(rows: list[dict[str, Any]], into: Path | None) -> None:
    """Detection limits, confusion and calibration: printed, and kept in a folder with the calibration's figure."""
    parts = (detection_limits(), confusion(rows, SEED), reliability(rows))
    text = "\n\n".join("\n".join(part) for part in parts)
    print(f"\n{text}\n")
    if into is not None:
        into.mkdir(parents=True, exist_ok=True)
        (into / "blind_trial.md").write_text(text + "\n", encoding="utf-8")
        (into / "calibration.svg").write_text(figure(rows, SEED), encoding="utf-8")
        print(f"      kept: {into / 'blind_trial.md'}, {into / 'calibration.svg'}")


# ---- cases from elsewhere, and the way of a new user --------------------------------------------------------


def elsewhere(each: int, *, pins: bool) -> None:
    """The shared cases, fresh recordings of the kinds that their README lists, and fresh pin tables."""
    found = counted(SHARED_TESTS, SHARED_NAMES, SHARED)
    figures = f"{len(found.passed)} checks right, wrong: {found.failed or 'none'}, not run: {found.skipped or 'none'}"
    told("shared cases", bool(found.passed) and not found.failed and not found.skipped, figures)
    right = fresh(each, SEED)
    few = [f"{kind} {n}" for kind, n in right.items() if n < 0.95 * each]
    figures = f"{len(right)} kinds, {sum(right.values())} of {each * len(right)} right; below 95 %: {few or 'none'}"
    told("fresh recordings", not few, figures)
    if pins:
        made = counted(["tests/pins/test_search.py"], "test", SHARED)
        figures = f"{len(made.passed)} kinds held (95 % of 200 each where drawn), wrong: {made.failed or 'none'}"
        told("fresh pin tables", bool(made.passed) and not made.failed, figures)


def walk_through() -> None:
    """Commands of the README's section for an unlabelled connector."""
    text = (TOP / "README.md").read_text(encoding="utf-8")
    section = text.partition("## An unlabelled connector")[2].partition("\n## ")[0]
    commands = [line for line in section.splitlines() if line.startswith("anglewright ")]
    ends = any("--draft" in line for line in commands)
    told("walk-through", 0 < len(commands) < 10 and ends, f"{len(commands)} commands to a part file; fewer than ten")


def main() -> int:
    """Run what was asked for."""
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    words.add_argument("--quick", action="store_true")
    words.add_argument("--worlds", type=int, default=400)
    words.add_argument("--first", type=int, default=0)
    words.add_argument("--keep", type=Path)
    words.add_argument("--out", type=Path)
    words.add_argument("--processes", type=int, default=1)
    asked = words.parse_args()
    factors()
    coverage(10_000)
    walk_through()
    elsewhere(4 if asked.quick else 40, pins=not asked.quick)
    rows = trial(asked.first, 8 if asked.quick else asked.worlds, asked.keep, asked.processes)
    figures(rows)
    more = trial(FIRST, len(KINDS) * (1 if asked.quick else 10), asked.keep, asked.processes)
    further_kinds(more)
    if not asked.quick:
        tables([*rows, *more], asked.out)
    print("all held" if not SHORT else f"fell short: {', '.join(SHORT)}")
    return 1 if SHORT else 0


if __name__ == "__main__":
    raise SystemExit(main())
