"""Cases from elsewhere for tests/shows/diagnosis.py: the shared ones, and fresh ones of the same kinds.

Shared: the checks that the tests of tables, recordings and transcripts make of them, run one by one and counted. Fresh:
recordings drawn at random, each of a kind with the reason (or the figure) that has to come out; and the tests that draw
hundreds of pin tables of each kind and ask for 95 %.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from judged_recordings import judge_phasors, judge_waves
from recorded_samples import moved, phasors, waves

from rig.result import Judgement

TOP = Path(__file__).parents[3]
SHARED_TESTS = (
    "tests/review/test_recordings.py",
    "tests/jobs/test_analyse_pairs.py",
    "tests/drivers/test_session_transcripts.py",
)
SHARED_NAMES = "shared or the_cases or thermistor_pins or map_b or leads_left"
Rng = np.random.Generator


@dataclass(eq=False)
class Count:
    """A pytest plugin: what passed, failed and did not run."""

    passed: list[str] = field(default_factory=list)
    failed: list[str] = field(default_factory=list)
    skipped: list[str] = field(default_factory=list)

    def pytest_runtest_logreport(self, report: Any) -> None:
        """Called for each phase of each test."""
        if report.failed:
            self.failed.append(report.nodeid)
        elif report.skipped:
            self.skipped.append(report.nodeid)
        elif report.when == "call":
            self.passed.append(report.nodeid)


def counted(files: Sequence[str], names: str, shared: Path) -> Count:
    """The named tests of these files, run in this process with ANGLEWRIGHT_SHARED set to `shared`."""
    os.environ["ANGLEWRIGHT_SHARED"] = str(shared)
    count = Count()
    asked = ["-q", "-q", "--no-header", "--no-summary", "-p", "no:cacheprovider", "-k", names]
    pytest.main([*asked, *(str(TOP / name) for name in files)], plugins=[count])
    return count


# ---- fresh recordings ---------------------------------------------------------------------------------------


def _line(found: Judgement, id_: str) -> float:
    row = found.line(id_)
    return float("nan") if row is None or row.result is None or row.result.estimate is None else row.result.estimate


def _has(found: Judgement, code: str) -> bool:
    return code in {reason.code for reason in found.reasons}


def _pairs(rng: Rng) -> int:
    return int(rng.choice([1, 2, 3, 4, 5]))


def _good(rng: Rng) -> bool:
    p = _pairs(rng)
    found = judge_phasors(phasors(p, 160, phase_deg=float(rng.uniform(-30.0, 30.0))))
    quiet = _line(found, "error_max_elec_arcmin") < 2.0 and not found.reasons
    return quiet and _line(found, "pole_pairs") == p and abs(_line(found, "tr_sin") * 3.5 - 1.0) < 2e-3


def _gain(rng: Rng) -> bool:
    p, gain = _pairs(rng), float(1.0 + rng.choice([-1.0, 1.0]) * rng.uniform(0.03, 0.12))
    found = judge_phasors(phasors(p, 160, gain=gain), p)
    return _has(found, "channel-gain") and abs(_line(found, "tr_imbalance") - (gain - 1.0)) < 1e-3


def _reversed(rng: Rng) -> bool:
    p = _pairs(rng)
    found = judge_phasors(phasors(p, 160, direction=-1), p)
    class_ = {finding.code for finding in found.findings} == {"wiring-swapped", "wiring-reversed"}
    return class_ and _line(found, "direction") == -1 and _line(found, "error_max_elec_arcmin") < 2.0


def _told_wrong(rng: Rng) -> bool:
    p = int(rng.choice([3, 5]))
    found = judge_phasors(phasors(p, 200), p + 1)
    return _has(found, "pole-pairs-mismatch") and found.exit_status == 3


def _microsteps(rng: Rng) -> bool:
    p, scale = int(rng.choice([3, 4])), float(rng.choice([0.5, 2.0]))
    return _has(judge_phasors(phasors(p, 200, scale=scale), p), "microstep-setting")


def _steps(rng: Rng) -> bool:
    lost = float(rng.choice([7.2, -7.2, 14.4]))
    late = np.where(np.arange(160) >= int(rng.integers(30, 130)), lost, 0.0)
    return _has(judge_phasors(moved(phasors(4, 160), late, 4), 4), "steps-lost")


def _open_turn(rng: Rng) -> bool:
    table = phasors(1, 120, closing=True)
    creep = np.linspace(0.0, float(rng.uniform(0.4, 2.0)), 121)
    return _has(judge_phasors(moved(table, creep, 1), 1), "turn-not-closed")


def _overwritten(rng: Rng) -> bool:
    table, order = phasors(2, 100), np.arange(100)
    later = int(rng.integers(20, 45))
    order[later] = int(rng.integers(0, 15))
    copy = replace(table, exc=table.exc[order], sine=table.sine[order], cosine=table.cosine[order])
    return _has(judge_phasors(copy), "record-overwritten")


def _quarter(rng: Rng) -> bool:
    phase = float(rng.choice([-1.0, 1.0]) * rng.uniform(84.0, 89.0))
    return _has(judge_phasors(phasors(1, 72, phase_deg=phase)), "phase-ambiguous")


def _standing(rng: Rng) -> bool:
    table, still = phasors(2, 60), np.full(60, int(rng.integers(0, 60)))
    noise = 1e-4 * rng.standard_normal(60)
    held = replace(table, exc=table.exc[still], sine=table.sine[still] + noise, cosine=table.cosine[still])
    return _has(judge_phasors(held), "axis-not-turning")


def _two_speed(rng: Rng) -> bool:
    slow, fast, share = phasors(1, 160), phasors(8, 160), float(rng.uniform(0.5, 1.0))
    both = replace(slow, cosine=slow.cosine + share * fast.cosine, sine=slow.sine + share * fast.sine)
    return judge_phasors(both).outcome == "not this kind"


def _transmitter(rng: Rng) -> bool:
    lag = float(rng.choice([30.0, -30.0]))
    return judge_phasors(phasors(1, 72, lag_deg=lag)).outcome == "not this kind"


def _clipped(rng: Rng) -> bool:
    found = judge_waves(waves(el_deg=float(rng.uniform(35.0, 55.0)), clip_v=float(rng.uniform(0.3, 0.6))))
    return _has(found, "channel-saturated") and found.exit_status == 3


def _whole_wave(rng: Rng) -> bool:
    hz = float(rng.uniform(2000.0, 12_000.0))
    found = judge_waves(waves(hz, el_deg=float(rng.uniform(0.0, 360.0)), noise_v=1e-4))
    return abs(_line(found, "f_exc_hz") / hz - 1.0) < 1e-4 and not found.reasons


FRESH: tuple[tuple[str, Callable[[Rng], bool]], ...] = (
    ("good part", _good),
    ("gain difference", _gain),
    ("direction reversed", _reversed),
    ("pole pairs told wrong", _told_wrong),
    ("microstep setting", _microsteps),
    ("steps lost", _steps),
    ("turn not closed", _open_turn),
    ("record overwritten", _overwritten),
    ("phase near a quarter", _quarter),
    ("rotor stands", _standing),
    ("two speeds in one part", _two_speed),
    ("three-wire transmitter", _transmitter),
    ("input clips, down to a third of the peak", _clipped),
    ("whole wave, any frequency", _whole_wave),
)


def fresh(each: int, seed: int) -> dict[str, int]:
    """How many of `each` fresh recordings of a kind came out right."""
    return {
        kind: sum(right(np.random.default_rng([seed, k, i])) for i in range(each))
        for k, (kind, right) in enumerate(FRESH)
    }
