"""What the terminal shows of a night: what stands against it, and the morning page. 80 columns wide."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from rig.jobs.night.checks.readiness import Ready
from rig.jobs.night.morning import Morning

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
