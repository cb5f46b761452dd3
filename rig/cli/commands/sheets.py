"""Commands for the other reports: a unit's history, donors side by side, a lot, calibration status; each a PDF.

Words in, a file's path out; everything is done by rig/certificate. Heavy libraries are loaded inside the commands.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from rig.certificate.sheets.sheet import Sheet
    from rig.certificate.shop import Shop

Told = Callable[[Callable[..., None]], Callable[..., None]]
as_json = click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
out = click.option("--out", type=click.Path(path_type=Path), default=None, help="The PDF to write; by default here.")


def register(cli: click.Group, told: Told) -> None:
    """Add `report` with its four kinds to the command line."""
    group = click.Group("report", help="Reports over runs, units and instruments: history, donors, lot, calibration.")
    for command in (history, donors, lot, calibration):
        params: list[click.Parameter] = getattr(command, "__click_params__", [])
        group.add_command(
            click.Command(command.__name__, callback=told(command), params=params[::-1], help=command.__doc__)
        )
    cli.add_command(group)


@click.argument("serial")
@click.option("--part", default="", help="Part number, when the serial is known under several.")
@out
@as_json
def history(serial: str, part: str, out: Path | None, as_json: bool) -> None:
    """The history of a unit: its runs in all jobs, what changed between conditions, its main lines over time."""
    from rig.certificate.sheets.history import history_sheet
    from rig.records.store import Store

    shop, store = _shop(), Store()
    _write(history_sheet(store, part, serial, shop), shop, out, f"history {serial}", as_json)


@click.argument("units", nargs=-1, required=True, metavar="SERIAL|RUN...")
@out
@as_json
def donors(units: Sequence[str], out: Path | None, as_json: bool) -> None:
    """Two to four units of one part number side by side; a serial stands for its newest judged full test."""
    from rig.certificate.sheets.donors import donor_sheet
    from rig.records.store import Store
    from rig.review.comparing import chosen

    shop = _shop()
    runs = chosen(Store(), units)
    _write(donor_sheet(runs, shop), shop, out, "donors " + " ".join(run.header.serial for run in runs), as_json)


@click.option("--job", default="", help="The units of a job.")
@click.option("--part", default="", help="The units of a part number.")
@out
@as_json
def lot(job: str, part: str, out: Path | None, as_json: bool) -> None:
    """A lot: outcomes counted, each line's spread over the units against its limits."""
    from rig.certificate.sheets.lot import lot_sheet
    from rig.records.store import Store

    shop, store = _shop(), Store()
    _write(lot_sheet(store, shop, job=job, part=part), shop, out, f"lot {job or part}", as_json)


@click.option("--on", type=click.DateTime(["%Y-%m-%d"]), default=None, help="The day; by default today.")
@out
@as_json
def calibration(on: datetime | None, out: Path | None, as_json: bool) -> None:
    """Calibration status of every instrument seen and of the rig's own channels: current, due soon, overdue."""
    from rig.certificate.sheets.calibration import calibration_sheet
    from rig.records.store import Store

    day = (on or datetime.now(UTC)).date()
    _write(calibration_sheet(Store(), on=day), _shop(), out, f"calibration {day}", as_json)


def _shop() -> Shop:
    from rig.certificate.shop import Shop, load_shop

    return load_shop() or Shop()


def _write(sheet: Sheet, shop: Shop, out: Path | None, name: str, as_json: bool) -> None:
    from rig.certificate.sheets.sheet import made
    from rig.records.files import write_beside

    issued = datetime.now(UTC).isoformat(timespec="seconds")
    safe = "".join(c if c.isalnum() or c in "-_." else "-" for c in name)
    path = write_beside(out or Path(f"{safe}.pdf"), made(sheet, shop, issued_utc=issued))
    click.echo(json.dumps({"report": str(path), "simulated": sheet.simulated}) if as_json else str(path))
