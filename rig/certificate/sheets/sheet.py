"""The other reports of the family as data: facts, tables, plots, sentences; one page design (templates/sheet.typ).

    Sheet(title, subject, facts, blocks, ...) ; sheet_pdf(sheet, shop, issued_utc=...) -> PDF/A bytes

A cell is a text, or one of `verdict`, `value`, `bar`, `share`, `quiet`, `strong`. What a sheet says is built in
history.py, donors.py, lot.py and calibration.py. It judges nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from rig.certificate.content.key_lines import bar_of
from rig.certificate.page.pdf import set_sheet
from rig.certificate.page.plots import Plot
from rig.certificate.shop import Shop
from rig.certificate.words.language import Language, language
from rig.certificate.words.wording import display
from rig.result import Judged

Cell = str | Mapping[str, Any]
FOOT = "Measurement facts; each run's own report holds its conditions, uncertainties and limits."
OUTCOME_WORD = {
    "within limits": "pass",
    "outside limits": "fail",
    "measured, no limits": "no limit",
    "unsound measurement": "not capable",
    "undecided": "not capable",
    "not this kind": "not capable",
    "incomplete": "not tested",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """columns: "" as wide as its words, "1fr" what is left, or millimetres. align: "l" or "r" a column."""

    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    columns: tuple[str, ...] = ()
    align: str = ""
    aside: str = ""
    note: str = ""
    kind: str = "table"


@dataclass(frozen=True, slots=True, kw_only=True)
class Plots:
    """Plots two in a row; a single one over the whole width."""

    title: str
    plots: tuple[Plot, ...]
    aside: str = ""
    kind: str = "plots"


@dataclass(frozen=True, slots=True, kw_only=True)
class Text:
    """A sentence under a title."""

    title: str
    text: str
    aside: str = ""
    kind: str = "text"


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """A report: title, whom or what it is about, facts (name, value), blocks, closing sentences."""

    title: str
    subject: str
    facts: tuple[tuple[str, str], ...]
    blocks: tuple[Table | Plots | Text, ...]
    simulated: bool
    statements: tuple[str, ...] = ()


def sheet_pdf(sheet: Sheet, shop: Shop, *, issued_utc: str) -> bytes:
    """The sheet as PDF/A-3b in the shop's language. Raises RecordError when it can't be set."""
    return set_sheet(sheet_data(sheet, shop), issued_utc=issued_utc)


def sheet_data(sheet: Sheet, shop: Shop) -> Mapping[str, Any]:
    """The sheet as its template takes it."""
    tongue = language(shop.language)
    return {
        "title": tongue.say(sheet.title),
        "subject": sheet.subject,
        "facts": [[tongue.say(name), tongue.say(value)] for name, value in sheet.facts],
        "blocks": [_block(block, tongue) for block in sheet.blocks],
        "statements": [tongue.say(text) for text in sheet.statements],
        "simulated": sheet.simulated,
        "foot": tongue.say(FOOT),
        "shop": list(shop.lines),
        "language": shop.language,
        "paper": shop.paper,
        "words": dict(tongue.table),
    }


def _block(block: Table | Plots | Text, tongue: Language) -> dict[str, Any]:
    data = asdict(block) | {"title": tongue.say(block.title), "aside": tongue.say(block.aside)}
    if isinstance(block, Text):
        return data | {"text": tongue.say(block.text)}
    if isinstance(block, Table):
        wide = block.columns or ("1fr", *("" for _ in block.head[1:]))
        rows = [[_cell(cell, tongue) for cell in row] for row in block.rows]
        head = [tongue.say(text) for text in block.head]
        align = list(block.align or "l" * len(head))
        return data | {"head": head, "rows": rows, "columns": wide, "align": align, "note": tongue.say(block.note)}
    return data


def _cell(cell: Cell, tongue: Language) -> Any:
    if isinstance(cell, str):
        return tongue.say(cell)
    if "verdict" in cell:
        return {"verdict": cell["verdict"], "words": tongue.say(cell.get("words") or cell["verdict"])}
    if "value" in cell:
        return {"value": [tongue.figures(text) for text in cell["value"]]}
    if "bar" in cell:
        bar = asdict(cell["bar"])
        return {"bar": bar | {end: tongue.figures(bar[end]) for end in ("lower", "upper")}}
    return {k: tongue.say(v) if isinstance(v, str) and k != "tone" else v for k, v in cell.items()}


# ---- cells ----------------------------------------------------------------------------------------------------------


def outcome_cell(outcome: str, awaits: str = "") -> Cell:
    """An outcome with the mark of the verdict that it resembles; one that awaits a witness is open."""
    if awaits:
        return {"verdict": "not capable", "words": f"{outcome}, {awaits}"}
    return {"verdict": OUTCOME_WORD.get(outcome, "no limit"), "words": outcome}


def value_cell(line: Judged | None, guard: float) -> Cell:
    """estimate ± U with unit; a dash where nothing was measured."""
    if line is None:
        return {"quiet": "–"}
    shown = display(line, guard)
    return {"value": (shown.estimate, shown.U, shown.unit)}


def verdict_cell(line: Judged | None) -> Cell:
    """The line's verdict."""
    return {"quiet": "–"} if line is None else {"verdict": line.verdict.value}


def bar_cell(line: Judged | None, guard: float) -> Cell:
    """The line's bar against its limits, or a dash."""
    bar = bar_of(line, guard) if line is not None else None
    return {"quiet": "–"} if bar is None else {"bar": bar}


def span(moments: Iterable[str]) -> str:
    """'2026-11-20 to 2026-11-25' of ISO moments; one day once; "none" without any."""
    days: Sequence[str] = sorted({moment[:10] for moment in moments if moment})
    if not days:
        return "none"
    return days[0] if len(days) == 1 else f"{days[0]} to {days[-1]}"
