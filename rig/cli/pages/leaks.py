"""Below the lines of a run: how the unit's leaks went from run to run, where one was low."""

from __future__ import annotations

import math

from rig.certificate.words.wording import short_name
from rig.jobs.kept.kept_run import Finished
from rig.review.units.drying import WORDS, LeakTrend


def drying(finished: Finished) -> list[str]:
    """Rows of text; none for a unit whose leaks never were low, or that has one run only."""
    found = finished.leaks()
    return [] if found is None else rows_of(found)


def rows_of(trend: LeakTrend) -> list[str]:
    """The trend in words."""
    rows = [f"leaks over {len(trend.runs)} runs in {_span(trend.hours)}: {WORDS[trend.answer]}"]
    for line in trend.lines:
        told = " → ".join(_megohm(run.ohm[line]) for run in trend.runs)
        rows.append(f"  {short_name(line, alone=True)}: {told} MΩ")
    return rows


def _megohm(ohm: float) -> str:
    return "> range" if math.isinf(ohm) else f"{ohm / 1e6:.3g}"


def _span(hours: float) -> str:
    return f"{60.0 * hours:.0f} min" if hours < 1.0 else f"{hours:.1f} h" if hours < 48.0 else f"{hours / 24.0:.1f} d"
