"""What the terminal shows of reports: how a file stands, and where a sheet was written."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import click

from rig.certificate.seal.verify import Verification
from rig.certificate.sheets.sheet import Sheet, sheet_pdf
from rig.certificate.shop import Shop, load_shop
from rig.cli.group import print_json
from rig.records.files import write_beside


def verify_rows(checked: Sequence[Verification]) -> list[str]:
    """Each file or run: its state, what it is, where it differs."""
    rows = []
    for one in checked:
        mark = ", SIMULATED" if one.simulated else ""
        rows += [
            f"{one.state.upper():<10} {one.file}",
            f"           {one.kind} {one.number}: {one.signature}{mark}; {one.register}",
            *(f"           {place}" for place in one.where),
            *(f"           register: {fault}" for fault in one.broken),
        ]
    return rows


def shop() -> Shop:
    """The shop of the home; an unnamed one where there is no shop file."""
    return load_shop() or Shop()


def write_sheet(sheet: Sheet, out: Path | None, name: str, *, as_json: bool) -> None:
    """Write a sheet as a PDF and print where. name: of the file, where `out` gives none."""
    issued = datetime.now(UTC).isoformat(timespec="seconds")
    safe = "".join(c if c.isalnum() or c in "-_." else "-" for c in name)
    path = write_beside(out or Path(f"{safe}.pdf"), sheet_pdf(sheet, shop(), issued_utc=issued))
    print_json({"report": str(path), "simulated": sheet.simulated}) if as_json else click.echo(str(path))
