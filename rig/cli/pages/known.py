"""What the terminal shows of a library: units, proposed or approved limits with their warnings, the history.

It computes nothing and decides nothing; figures are written as on paper (rig/certificate/words). Every state is a
word, so that it reads without colour.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from functools import partial
from typing import Any

from rich.console import Console
from rich.table import Table

from rig.certificate.words.learned import learned_texts, limits_text
from rig.certificate.words.wording import find_measurand, short_name
from rig.records.book.entries import GoodUnit, LearnedLimits
from rig.records.book.library import KIND_OF, LibraryEntry
from rig.review.library.learning import LimitSet

WIDE_COLUMNS = 120  # a terminal this wide shows the prediction interval too
WORDS = {"good-unit": "unit taken in", "withdrawn-unit": "unit withdrawn", "learned-limits": "limits approved"}


def _console() -> Console:
    """Standard output; wide where it goes into a file or a pipe."""
    console = Console(highlight=False)
    return console if console.is_terminal else Console(highlight=False, width=150)


def _table(*columns: str) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim", show_edge=False)
    for name in columns:
        table.add_column(name, overflow="fold")
    return table


# ---- as data ------------------------------------------------------------------------------------------------


def unit_data(unit: GoodUnit) -> dict[str, Any]:
    """A unit as JSON-ready data."""
    return asdict(unit)


def limits_data(found: LimitSet) -> dict[str, Any]:
    """A limit set as JSON-ready data: numbers unrounded, each line with how it was learned."""
    lines = []
    for limit in found.limits:
        line = found.lines[limit.measurand]
        lines.append({"measurand": limit.measurand, "unit": find_measurand(limit.measurand).unit} | asdict(line))
        lines[-1]["predict"] = list(found.predict[limit.measurand])
        lines[-1] |= {"lower": limit.lower, "upper": limit.upper, "note": limit.note}
        lines[-1]["suspect"] = found.flagged.get(limit.measurand)
    return {
        "schema": "anglewright learned limits 1",
        "part": found.part,
        "version": found.version,
        "approved_by": found.approved_by,
        "approved_utc": found.approved_utc,
        "provisional": found.provisional,
        "simulated": found.simulated,
        "rule": asdict(found.rule),
        "units": [teacher.serial for teacher in found.teachers],
        "good_parts_rejected": found.rejected,
        "lines": lines,
        "widened": list(found.widened),
        "lacking": {id_: list(serials) for id_, serials in found.lacking.items()},
        "warnings": list(found.warnings()),
    }


def entry_data(entry: LibraryEntry) -> dict[str, Any]:
    """An entry of the history as JSON-ready data; of a version its units by serial."""
    data = {"kind": KIND_OF[type(entry)], **asdict(entry)}
    if isinstance(entry, LearnedLimits):
        data["units"] = [unit["serial"] for unit in entry.units]
    return data


# ---- on screen ----------------------------------------------------------------------------------------------


def show_libraries(rows: Sequence[Mapping[str, Any]]) -> None:
    """Part numbers with a library: units in force, newest approved version."""
    console = _console()
    if not rows:
        console.print("no library yet: anglewright known add RUN --how ... --by ...")
        return
    table = _table("part", "entries", "newest version", "approved by", "on")
    for row in rows:
        version = "none approved" if row["version"] is None else str(row["version"])
        mark = " (simulated)" if row["simulated"] else ""
        table.add_row(row["part"] + mark, str(row["entries"]), version, row["approved_by"], row["approved_utc"][:10])
    console.print(table)


def show_units(part: str, units: Sequence[GoodUnit]) -> None:
    """The units in force."""
    console = _console()
    console.print(f"{part}: {len(units)} known-good units")
    table = _table("serial", "how it is known", "by", "taken in", "rotor", "lines", "runs")
    for unit in units:
        serial = unit.serial + (" (simulated)" if unit.simulated else "")
        day, lines = unit.at_utc[:10], str(len(unit.values))
        table.add_row(serial, unit.how, unit.who, day, unit.rotor, lines, " ".join(unit.runs))
    if units:
        console.print(table)


def show_limits(found: LimitSet) -> None:
    """The limits of each line, how they were learned, and what has to be said beside them."""
    console = _console()
    console.print(_headline(found))
    if found.simulated:
        console.print("SIMULATED: no part was measured", style="reverse")
    wide = console.width >= WIDE_COLUMNS
    table = _table("", "limits", "mean", "s", "k", *(["another good part"] if wide else []))
    for limit in found.limits:
        line, (lower, upper) = found.lines[limit.measurand], found.predict[limit.measurand]
        texts = learned_texts(limit, line)
        cells = [texts.name, texts.limits, texts.mean, texts.spread, f"{line.k:.3f}"]
        table.add_row(*cells, *([limits_text(replace(limit, lower=lower, upper=upper))] if wide else []))
    console.print(table)
    for warning in found.warnings(partial(short_name, alone=True)):
        console.print(f"  {warning}")
    share = f"{100 * found.rule.confidence:g} %"
    another = f"; another good part: {share} prediction interval, where it limits" if wide else ""
    console.print(f"s after × is a factor (log scale){another}")


def _headline(found: LimitSet) -> str:
    state = "provisional" if found.provisional else "by the shop's rule"
    told = f"{found.part}: learned from {found.n} parts, {100 * found.rule.confidence:g} % confident of "
    told += f"{100 * found.rule.coverage:.4g} % of good parts a line; {state}\n"
    if not found.version:
        return told + "a proposal: nothing is judged by it before it is approved"
    return told + f"version {found.version}, approved by {found.approved_by} on {found.approved_utc[:10]}"


def show_history(part: str, rows: Sequence[Mapping[str, Any]]) -> None:
    """Every entry, oldest first."""
    console = _console()
    console.print(f"{part}: {len(rows)} entries")
    table = _table("", "when", "what", "", "by")
    for row in rows:
        table.add_row(str(row["n"]), row["at_utc"], WORDS[row["kind"]], _what(row), row["who"])
    if rows:
        console.print(table)


def _what(row: Mapping[str, Any]) -> str:
    if row["kind"] == "good-unit":
        return f"{row['serial']}: {row['how']} ({' '.join(row['runs'])})"
    if row["kind"] == "withdrawn-unit":
        return f"{row['serial']}: {row['why']}"
    rule = row["rule"]
    told = f"version {row['version']} from {len(row['units'])} parts, "
    told += f"{100 * rule['confidence']:g}/{100 * rule['coverage']:.4g}"
    return told + (", provisional" if len(row["units"]) < rule["approve_n"] else "")
