"""Wrong assumptions put into drawn worlds on purpose: the budget holds the truth all the same, or soundness says so.

Caught: every line of the named groups either contains the truth within U or is spoiled by a reason. What nothing can
catch is shown for information, with the lines that it leaves alone.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Any

from coverage_trial import name_of, truths
from drawn_rig import Drawn, DrawnRun, drawn

from rig.evaluation.evaluated import evaluate
from rig.evaluation.inspection.inspection import Inspection
from rig.observed import Observed
from rig.result import Reason, Result
from rig.soundness.soundness import soundness

COPPER = ("r20_exc", "r20_sin", "r20_cos")
CHANNELS = ("phase_sin_deg", "phase_cos_deg", "phase_difference_deg", "tr_sin", "tr_cos", "tr_imbalance")
ERRORS = ("error_max_elec_arcmin", "error_span_elec_arcmin", "error_rms_elec_arcmin", "orthogonality_elec_deg")
Case = Callable[[int], tuple[Drawn, DrawnRun, Observed]]


def warm(kelvin: float, where: str) -> Case:
    """The part, or the probe, off by so much against the air."""

    def case(seed: int) -> tuple[Drawn, DrawnRun, Observed]:
        air = drawn(seed).file.climate.ambient_degc
        value = {"part_degc": air + kelvin} if where == "part" else {"probe_error_degc": kelvin}
        trial = drawn(seed, changes={"climate": value})
        run = DrawnRun(trial)
        return trial, run, run.whole()

    return case


def skewed(ns: float, *, loopback: bool, kept: dict[str, Any] | None = None) -> Case:
    """The cosine's channel late by so much, and no loopback in the run (or one from before it became so)."""

    def case(seed: int) -> tuple[Drawn, DrawnRun, Observed]:
        skews = list(drawn(seed).file.sampler.skew_ns)
        skews[3] += ns
        trial = drawn(seed, changes={"sampler": {"skew_ns": skews}})
        before = drawn(seed).at_loopback
        run = DrawnRun(Drawn(**{**_fields(trial), "at_loopback": before}))
        return trial, run, run.whole(loopback=loopback, calibration=kept)

    return case


def _fields(trial: Drawn) -> dict[str, Any]:
    return {name: getattr(trial, name) for name in trial.__dataclass_fields__}


STALE = {"schema": "anglewright loopback 1", "utc": "2026-11-20T08:00:00+00:00", "frequency_hz": 10_000.0}
STALE |= {"gain": [[1.0, 0.0]] * 4, "scatter": [1e-4] * 4, "captures": 8, "ranges_v": [10.0] * 4}

CASES: tuple[tuple[str, Case, tuple[str, ...], bool], ...] = (
    ("part 3 K warmer than the air", warm(3.0, "part"), COPPER, True),
    ("part 3 K colder than the air", warm(-3.0, "part"), COPPER, True),
    ("probe reads 3 K too much", warm(3.0, "probe"), COPPER, True),
    ("part 1.5 K warmer than the air: wider", warm(1.5, "part"), COPPER, True),
    ("channels never compared, cosine 2 us late", skewed(2000.0, loopback=False), CHANNELS, True),
    ("loopback five days old, cosine 2 us late", skewed(2000.0, loopback=False, kept=STALE), CHANNELS, True),
    ("cosine 0.3 us late since the loopback: phases", skewed(300.0, loopback=True), CHANNELS[:3], False),
    ("cosine 0.3 us late since the loopback: angle", skewed(300.0, loopback=True), ERRORS, True),
)


def lines_of(
    results: Sequence[Result], reasons: Sequence[Reason], true: dict[str, float], wanted: tuple[str, ...]
) -> dict[str, str]:
    """Of each wanted line: "held", "spoiled" (by whom), or "missed"."""
    told = {}
    for result in results:
        if result.measurand not in wanted or result.estimate is None or not result.U:
            continue
        spoilers = [r.code for r in reasons if result.measurand in r.spoils or "*" in r.spoils]
        held = abs(result.estimate - true[result.measurand]) <= result.U
        told[name_of(result, 0)] = f"spoiled: {spoilers[0]}" if spoilers else "held" if held else "missed"
    return told


def show(count: int) -> Iterator[tuple[bool, str]]:
    """Each case in `count` worlds: how many lines were spoiled, held, missed."""
    for name, case, wanted, must in CASES:
        tally: dict[str, int] = {}
        for seed in range(30_000, 30_000 + count):
            trial, run, obs = case(seed)
            evaluated = evaluate(obs)
            results = evaluated.results
            reasons = soundness(Inspection(evaluated), ())
            for told in lines_of(results, reasons, truths(trial, run), wanted).values():
                tally[told] = tally.get(told, 0) + 1
        total = sum(tally.values())
        missed = tally.get("missed", 0)
        caught = missed <= 0.065 * total + 2.0 if "held" in tally else missed == 0
        yield total > 0 and (caught or not must), f"{name}: {tally}" + ("" if must else "  (for information)")
