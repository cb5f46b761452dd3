"""What the terminal shows of units side by side: how each was measured, each line with U, differences, what to fit.

It computes nothing and decides nothing; figures are written as on paper (rig/certificate/words). A difference
beyond its uncertainty is marked by a word, so that it reads without colour.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from rich.console import Console
from rich.table import Table
from rich.text import Text

from rig.certificate.words.differences import difference_text
from rig.certificate.words.wording import display, short_name, unit_suffix
from rig.result import Judged
from rig.review.units.advice import Advice
from rig.review.units.comparing import ComparedLine, UnitComparison
from rig.review.units.margins import Difference, margin

STYLES: Mapping[str, str] = {"pass": "green", "fail": "bold red", "conditional pass": "yellow", "not tested": "dim"}


def show(found: UnitComparison, said: Advice, *, every: bool = False) -> None:
    """The whole page."""
    console = Console(highlight=False)
    if not console.is_terminal:
        console = Console(highlight=False, width=170)
    if found.is_simulated:
        console.print("SIMULATED: no part was measured", style="reverse")
    console.print(f"{found.part}: {', '.join(unit.name for unit in found.units)}", style="bold")
    for told in found.differs.values():
        console.print(f"NOT MEASURED ALIKE: {told}", style="bold yellow")
    console.print(_heads(found))
    shown = [line for line in found.lines if every or line.has_limit or line.beyond]
    console.print(_lines(found, shown))
    if len(shown) < len(found.lines):
        console.print(f"{len(found.lines) - len(shown)} more lines have no limit and no difference: --all", style="dim")
    scatter = "U over re-clamping" if found.reclamped else "U of single clampings"
    console.print(f"Δ: less {found.units[0].name}, with {scatter}; beyond: more than that", style="dim")
    console.print(Text(said.text, style="bold"))
    for reason in said.reasons:
        console.print(Text(f"  {reason}"))


def _heads(found: UnitComparison) -> Table:
    table = _table("", "outcome", "rotor", "condition", "margin", "smallest at", "hints", "run")
    for unit in found.units:
        header, free = unit.run.header, margin(unit.judgement)
        hints = ", ".join(finding.code for finding in unit.judgement.findings[:2])
        margin_told = ("", "") if free is None else (f"{100 * free[0]:.0f} %", short_name(free[1], alone=True))
        told = (unit.judgement.outcome, header.rotor, header.condition or "not stated", *margin_told, hints)
        table.add_row(unit.name, *told, unit.run.id)
    return table


def _lines(found: UnitComparison, lines: list[ComparedLine]) -> Table:
    table = _table("")
    for n, unit in enumerate(found.units):
        table.add_column(unit.name, justify="right")
        table.add_column("", justify="left")
        if n:
            table.add_column("Δ", justify="right")
    table.add_column("limits", justify="left")
    for line in lines:
        cells: list[str | Text] = [short_name(line.measurand, alone=True)]
        for n, (cell, apart) in enumerate(zip(line.cells, line.differences, strict=True)):
            cells += _cell(cell)
            if n:
                cells.append(_apart(line.measurand, apart))
        table.add_row(*cells, _limits(line))
    return table


def _cell(line: Judged | None) -> list[str | Text]:
    if line is None:
        return ["–", ""]
    shown = display(line)
    spread = f" ± {shown.U}" if shown.U else ""
    told = f"{shown.estimate}{spread}{unit_suffix(shown.unit)}" if shown.estimate != "–" else "–"
    verdict = "" if shown.verdict == "no limit" else shown.verdict
    return [told, Text(verdict, style=STYLES.get(verdict, ""))]


def _apart(id_: str, apart: Difference | None) -> str:
    return difference_text(id_, apart) + (" beyond" if apart is not None and apart.beyond else "")


def _limits(line: ComparedLine) -> str:
    """The limit of the first unit that has one, with who set it."""
    for cell in line.cells:
        if cell is not None and cell.limit is not None:
            shown = display(replace(cell, result=None))
            return f"{shown.limits}{unit_suffix(shown.unit)} {shown.origin}"
    return ""


def _table(*columns: str) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim", show_edge=False)
    for name in columns:
        table.add_column(name, overflow="fold")
    return table
