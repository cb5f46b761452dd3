"""What the terminal shows of a night: what stands against it, and the morning page. 80 columns wide."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from rig.jobs.night.checks.readiness import Ready
from rig.jobs.night.morning import Morning
from rig.review.charts import NOT_COVERED, Chart, judge_set, sets_of
from rig.statistics.control_chart import BASELINE, IN_CONTROL

WIDE = 80


def wrap_row(label: str, text: str, column: int) -> list[str]:
    """A label and a text beside it from a column on; a word is never cut."""
    lines = textwrap.wrap(text, WIDE - column, break_long_words=False, break_on_hyphens=False) or [""]
    return [f"{label:<{column}}{lines[0]}".rstrip(), *(" " * column + line for line in lines[1:])]


def readiness_rows(found: Sequence[Ready], until: str) -> list[str]:
    """The headline, then every figure: those that fail first, then those that a person has to look at."""
    against = [one for one in found if one.holds is False]
    rows = wrap_row("", f"Ready: ends {until}.", 0)
    if against:
        more = f" ({len(against)} things stand against tonight.)" if len(against) > 1 else ""
        rows = wrap_row("", f"This stands against tonight: {against[0].what}: {against[0].figure}.{more}", 0)
    rows.append("")
    for one in sorted(found, key=lambda one: (one.holds is not False, one.holds is True)):
        mark = "holds" if one.holds else "look yourself" if one.holds is None else "NO"
        rows += wrap_row(f"{mark:<15}{one.what}", one.figure, 32)
        rows += wrap_row("", f"-> {one.do}", 32) if one.do else []
    return rows


def morning_rows(page: Morning) -> list[str]:
    """The page: its headline, then each sentence under the part that it belongs to, then every look."""
    rows = ["SIMULATED: no part was measured"] if page.simulated else []
    rows += [*wrap_row("", page.headline, 0), "", f"night {page.night}   {page.subject}", ""]
    before = ""
    for one in page.sentences:
        rows += wrap_row(one.part if one.part != before else "", one.text, 22)
        before = one.part
    rows += ["", f"{'look':>4}  {'leg':<10}  {'sequence':<16}  {'outcome':<20}  run"] if page.looks else []
    for look in page.looks:
        named = f"{look['look']:>4}  {look['leg']!s:<10}  {look['sequence']!s:<16}  {look['outcome']!s:<20}"
        rows.append(f"{named}  {look['run']}".rstrip())
    return rows


def chart_rows(found: Chart) -> list[str]:
    """A standard's chart: what it is held against, every take with how it was taken, the EWMA, suspect runs."""
    frozen = found.frozen
    if frozen is None:
        taken = f"{len(found.points)} takes, {BASELINE} make a baseline; held against {found.points[-1].against}"
    else:
        limits = f"{frozen.lower:#.7g} to {frozen.upper:#.7g} {found.unit}".strip()
        taken = f"{len(found.points)} takes, held against {limits}: 3 s of the first {frozen.n}, frozen"
    rows = wrap_row("", f"{found.standard}: {taken}", 0)
    for point in found.points:
        told = [point.utc[:19] + "Z", f"{point.value:#.7g} {'' if found.unit == '1' else found.unit}".ljust(16)]
        told += ["OUTSIDE" if point.outside else "       ", f"run {point.run}"]
        rows.append("  ".join(told))
        if point.take:
            rows.append(f"{'':22}{point.take}, after run {point.of}")
    for group in sets_of(found.points):
        if (said := judge_set(group).said) != IN_CONTROL:
            rows += wrap_row("", f"{group[0].utc[:19]}Z: {said}, {len(group)} takes", 0)
    if found.warns is not None:
        rows += wrap_row("", f"the EWMA warns at take {found.warns} after the baseline; it stops nothing", 0)
    rows += wrap_row("suspect runs: ", ", ".join(found.suspects) or "none", 14)
    return [*rows, *wrap_row("", f"no standard covers {NOT_COVERED}", 0)]
