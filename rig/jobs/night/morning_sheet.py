"""The morning page on paper: the same sentences as on the terminal, and every look by its number."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from rig.certificate.sheets.sheet import Cell, Sheet, Table, Text, outcome_cell, sheet_pdf
from rig.certificate.shop import Shop, load_shop
from rig.jobs.night.morning import Morning
from rig.records.files import write_beside


def morning_sheet(page: Morning) -> Sheet:
    """The page as a sheet of the family."""
    parts = ["", *(one.part for one in page.sentences)]
    sentences: list[tuple[Cell, ...]] = [
        ({"strong": one.part if one.part != before else ""}, one.text)
        for before, one in zip(parts, page.sentences, strict=False)
    ]
    looks: list[tuple[Cell, ...]] = [
        (
            str(one["look"]),
            str(one["leg"]) or "–",
            str(one["sequence"]).replace("_", " "),
            outcome_cell(str(one["outcome"])),
            str(one["run"]),
        )
        for one in page.looks
    ]
    return Sheet(
        title="Morning page",
        subject=page.subject,
        facts=(("Night", page.night), ("Looks", str(len(page.looks)))),
        blocks=(
            Text(title="What happened", text=page.headline),
            Table(title="In figures", head=("", ""), rows=tuple(sentences), columns=("34", "1fr"), align="ll"),
            Table(
                title="Every look",
                head=("Look", "Leg", "Sequence", "Outcome", "Run"),
                rows=tuple(looks),
                columns=("", "", "1fr", "38", ""),
                align="lllll",
            ),
        ),
        simulated=page.simulated,
        statements=("Verdicts are those of the runs; a morning page judges nothing anew.",),
    )


def write_sheet(page: Morning, out: Path | None, shop: Shop | None = None) -> Path:
    """The PDF, at `out` or as morning-NIGHT.pdf here; never over another file."""
    utc = datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
    data = sheet_pdf(morning_sheet(page), shop or load_shop() or Shop(), issued_utc=utc)
    return write_beside(out or Path(f"morning-{page.night}.pdf"), data)
