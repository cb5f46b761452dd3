"""A unit's leaks from run to run: does it dry, stay, or get worse? Read from low-voltage leak resistances alone.

It must never open a record: what earlier runs read is handed in, oldest first. A damp part's leak rises as it dries; a
damaged insulation's stays. Warm insulation leaks more (about double for ten kelvin), so that only runs of a cooled part
compare. Signature: rig/soundness/README.md, 3.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

SOUND_OHM = 20e6  # where the part file has no limit of its own
CHANGED = 2.0  # of the worst leak: less is within what handling and air do
WORDS = {
    "gone": "the leak is gone: it was moisture or dirt. Keep the records of before and after, and run the full test.",
    "rising": "it rises: the part dries. Dry on, let it cool, look again; judge it when it no longer rises.",
    "staying": "it stays, whatever was done in between: rather damaged insulation than moisture.",
    "falling": "it falls: the insulation takes up moisture or breaks down. Keep the excitation off, find the cause.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class LeakRun:
    """One run's leaks. ohm: line -> ohm, infinite above the meter's range."""

    run: str
    begun_utc: str
    ohm: Mapping[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class LeakTrend:
    """answer: a key of WORDS; lines: those that were low once; runs: oldest first, those that read them."""

    answer: str
    lines: tuple[str, ...]
    runs: tuple[LeakRun, ...]

    @property
    def hours(self) -> float:
        """From the first run to the last."""
        first, last = (datetime.fromisoformat(run.begun_utc) for run in (self.runs[0], self.runs[-1]))
        return (last - first).total_seconds() / 3600.0

    def to_dict(self) -> dict[str, Any]:
        """As JSON-ready data; above the range is null."""
        return {
            "answer": self.answer,
            "told": WORDS[self.answer],
            "hours": self.hours,
            "runs": [
                {
                    "run": run.run,
                    "begun_utc": run.begun_utc,
                    "ohm": {line: None if math.isinf(run.ohm[line]) else run.ohm[line] for line in self.lines},
                }
                for run in self.runs
            ],
        }


def leak_trend(runs: Sequence[LeakRun], floors_ohm: Mapping[str, float]) -> LeakTrend | None:
    """The trend of the lines that were below their floor (SOUND_OHM where none is given) in any run.

    runs: of one unit, oldest first. None with fewer than two runs that read those lines, or without a low one.
    """
    low = sorted({line for run in runs for line, ohm in run.ohm.items() if ohm < floors_ohm.get(line, SOUND_OHM)})
    told = [run for run in runs if low and all(line in run.ohm for line in low)]
    first_low = next((i for i, run in enumerate(told) if _below(run, low, floors_ohm)), None)
    if first_low is None or len(told) - first_low < 2:
        return None
    told = told[first_low:]
    first, before, last = (min(run.ohm[line] for line in low) for run in (told[0], told[-2], told[-1]))
    if not _below(told[-1], low, floors_ohm):
        answer = "gone"
    elif last < before / CHANGED or last < first / CHANGED:
        answer = "falling"
    elif last > CHANGED * first:
        answer = "rising"
    else:
        answer = "staying"
    return LeakTrend(answer=answer, lines=tuple(low), runs=tuple(told))


def _below(run: LeakRun, lines: Sequence[str], floors_ohm: Mapping[str, float]) -> bool:
    return any(run.ohm[line] < floors_ohm.get(line, SOUND_OHM) for line in lines)
