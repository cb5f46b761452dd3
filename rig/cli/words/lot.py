"""`anglewright lot`: a supplier's delivery opened, planned, tested unit by unit, decided; studies, suppliers."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from rig.cli import options
from rig.cli.group import WithDefault, print_json


@click.group(cls=WithDefault)
def lot() -> None:
    """A supplier's delivery: `lot` lists them, `lot LOT` shows one, the commands below work on it."""


@lot.command("show", hidden=True)
@click.argument("lot", required=False)
@click.option("--tags", is_flag=True, help="The hold tags of units that do not simply conform, to be printed.")
@click.option("--defects", is_flag=True, help="The defect report for the supplier, as a PDF (--out: where).")
@click.option("--return", "back", is_flag=True, help="The paper that goes back with the units, as a PDF.")
@options.out
@options.as_json
def show(lot: str | None, tags: bool, defects: bool, back: bool, out: Path | None, as_json: bool) -> None:
    """Show how LOT stands: its plan, units, what the plan answers; without LOT list them. Nothing is entered.

    Example: anglewright lot
    """
    from rig.cli.pages import lot as page
    from rig.records.store import Store

    store = Store()
    if lot is None:
        rows = page.lots(store)
        print_json({"lots": rows}) if as_json else click.echo("\n".join(page.lots_rows(rows)))
        return
    from rig.review.lots.lot import Lot

    found = Lot(store, lot)
    if tags:
        click.echo(page.tags(found))
    elif defects or back:
        page.write_paper(found, out, back=back, as_json=as_json)
    else:
        print_json(page.document(found)) if as_json else click.echo("\n".join(page.rows(found)))


@lot.command("open")
@click.argument("lot", metavar="LOT|FILE.toml")
@click.option("--supplier", default="", help="Supplier.")
@click.option("--part", default="", help="Part number.")
@click.option("--quantity", type=click.IntRange(1), default=None, help="Units delivered.")
@click.option("--order", default="", help="Order number.")
@click.option("--papers-say", "told", type=click.IntRange(1), default=None, help="Units by the papers.")
@click.option("--serials", default="", help="The supplier's list of serial numbers (CSV).")
@click.option("--rotor", type=click.Choice(["own", "shop master", "none"]), default=None, help="Whose rotor is fitted.")
@click.option("--resubmitted", default="", metavar="LOT", help="The lot that comes again, sorted or repaired.")
@click.option("--deliver", is_flag=True, help="A further delivery of LOT, before its first reading.")
@click.option("--by", "who", default="", help="Who took it in.")
@options.as_json
def open_lot(as_json: bool, deliver: bool, who: str, **words: Any) -> None:
    """Open LOT with what was delivered, or add a delivery; doubtful rows of its list are named by their number.

    A file (.toml) states plans of its own; without one the usual checks stand.

    Example: anglewright lot open L-0046 --supplier 'Fallowmere Traction (invented)' --part KX4-2207 --quantity 3
    """
    from rig.cli.pages import lot as page
    from rig.jobs.lot import opening
    from rig.records.store import Store

    if deliver:
        made = opening.deliver(Store(), words["lot"], words["quantity"] or 0, words["serials"])
    else:
        file, base = opening.lot_file(words)
        made = opening.open_lot(Store(), file, who=who, base=base)
    for sentence in made.told:
        click.echo(f"warning: {sentence}", err=True)
    document = {**page.document(made.lot), "warnings": list(made.told)}
    print_json(document) if as_json else click.echo("\n".join(page.rows(made.lot)))


@lot.command()
@click.argument("lot")
@options.as_json
def plan(lot: str, as_json: bool) -> None:
    """Show what LOT is tested by, which units are picked, and what such a plan can see; frozen by the first sitting.

    Example: anglewright lot plan L-0046
    """
    from rig.cli.pages import lot as page
    from rig.records.store import Store
    from rig.review.lots.lot import Lot

    found = Lot(Store(), lot)
    print_json(page.plan_document(found)) if as_json else click.echo("\n".join(page.plan_rows(found)))


@lot.command("next")
@click.argument("lot")
@options.bench
@options.world
@click.option("--worlds", type=click.Path(path_type=Path), default=None, help="Folder with a world file a serial.")
@options.holder
@options.operator
@options.speed
@click.option("--units", "most", type=click.IntRange(1), default=None, help="End after so many units.")
@click.option("--scan", "scans", multiple=True, metavar="CODE", help="A scan or key beforehand. May be repeated.")
@click.option("--no-standards", is_flag=True, help="Leave the check standards out; it is entered and printed.")
@options.as_json
def next_unit(lot: str, as_json: bool, no_standards: bool, scans: tuple[str, ...], **words: Any) -> None:
    """Test the units of LOT one after the other: scan, close the guard, reset, ARM; the next label shows by itself.

    Keys: m missing, l leave out, k key the serial number in, r seat the last one again and test it once more, e end.

    Example: anglewright lot next L-0046 --scan PT-240712 --units 1
    """
    from rig.cli.pages.lot_desk import Terminal
    from rig.jobs.lot.sitting import Sitting
    from rig.jobs.lot.unit_runs import Asked
    from rig.records.store import Store
    from rig.review.lots.lot import Lot

    store = Store()
    desk = Terminal(Lot(store, lot).file, scans=scans, quiet=as_json)
    done = Sitting(store, lot, desk, Asked(standards=not no_standards, **words)).sit()
    document = {"lot": lot, "sitting": done.sitting, "units": done.units, "odd_scans": done.swapped}
    if as_json:
        print_json(document | {"ended": done.ended})
    else:
        click.echo(f"sitting {done.sitting}: {len(done.units)} units tested; {done.ended}")
    sys.exit(4 if done.faults else 0)


@lot.command()
@click.argument("lot")
@click.option(
    "--decision",
    type=click.Choice(["accepted", "returned", "sorted", "used as is"]),
    default=None,
    help="What a person decides; without it the report is written and the lot stays open.",
)
@click.option("--why", default="", help="The reason.")
@click.option("--by", "who", default="", help="Who decides.")
@click.option("--out", type=click.Path(path_type=Path), default=None, help="Folder for the report; by default here.")
@click.option(
    "--bundle", is_flag=True, help="With the report a file of all runs, which the supplier can judge himself."
)
@options.as_json
def close(lot: str, decision: str | None, why: str, who: str, out: Path | None, bundle: bool, as_json: bool) -> None:
    """Decide on LOT, the plan's answer beside it, and write its report: PDF, CSV, JSON.

    Exit status: 0 accepted by the plan, 1 not accepted, 3 open.

    Example: anglewright lot close L-0046 --decision returned --why 'two were not tested' --by 'operator 2'
    """
    from rig.cli.pages import lot as page
    from rig.jobs.lot import closing
    from rig.records.store import Store

    made = closing.close(Store(), lot, decision=decision or "", why=why, who=who, out=out or Path("."), bundle=bundle)
    document = {"lot": lot, "answer": made.answer, "towards_supplier": made.towards, "files": made.files}
    print_json(document) if as_json else click.echo("\n".join(page.closed_rows(made)))
    sys.exit({"accepted": 0, "not accepted": 1}.get(made.answer, 3))


@lot.command()
@click.argument("name")
@options.part_number
@click.option("--units", default="", metavar="A,B,...", help="Serial numbers of the units, to measure what is missing.")
@click.option("--clampings", default=3, show_default=True, help="Clampings of each unit (or persons, holders, days).")
@click.option("--repeats", default=2, show_default=True, help="Measurements within a clamping.")
@click.option("--screen", is_flag=True, help="Measure by the quick screen instead of the whole test.")
@click.option(
    "--method",
    type=click.Choice(["nested", "crossed", "average-range"]),
    default="nested",
    show_default=True,
    help="Crossed only where the same persons, holders or days meet every unit.",
)
@click.option("--keep", is_flag=True, help="Keep the clamping scatter: it feeds U of this part number.")
@click.option("--exchange", nargs=2, default=None, metavar="OURS THEIRS", help="Instead: E_n of one unit in two runs.")
@click.option("--worlds", type=click.Path(path_type=Path), default=None, help="Folder with a world file a unit.")
@options.on_bench
@options.print_pdf
@options.out
@options.as_json
def study(
    name: str,
    part: str,
    units: str,
    clampings: int,
    repeats: int,
    screen: bool,
    method: str,
    keep: bool,
    exchange: tuple[str, str] | None,
    worlds: Path | None,
    printed: bool,
    out: Path | None,
    as_json: bool,
    **request: Any,
) -> None:
    """Gauge study NAME: with --units measure what is missing, then say what clamping and repeating scatter.

    Example: anglewright lot study G-1
    """
    from rig.cli.pages import lot_study as page
    from rig.jobs.lot import study as studies
    from rig.jobs.run_job import Request
    from rig.records.store import Store
    from rig.review.lots.study import study_of

    store = Store()
    if exchange is not None:
        page.show_exchange(exchange, as_json=as_json)
        return
    places = None
    if units:
        del request["clamping"]
        asked = Request(sequence="", part=part, serial="", **request)
        named = tuple(one.strip() for one in units.split(",") if one.strip())
        plan = studies.StudyPlan(
            name=name,
            units=named,
            clampings=clampings,
            repeats=repeats,
            screen=screen,
            request=asked,
            worlds=worlds,
        )
        studies.measure(store, plan, page.desk(quiet=as_json))
        places = plan.places
    found = study_of(store, name, method, places or ())
    kept = str(studies.keep_reclamping(store, found)) if keep else ""
    if printed:
        page.write(found, out, as_json=as_json)
        return
    print_json(page.document(found, kept)) if as_json else click.echo("\n".join(page.rows(found, kept)))
    sys.exit(3 if found.missing else 0)


@lot.command()
@click.argument("supplier")
@click.option("--act", type=click.Choice(["reduce", "normal", "resume"]), default=None, help="Change a severity.")
@click.option("--part", default="", help="With --act: the part number.")
@click.option("--group", default="", help="With --act: the group of lines.")
@click.option("--limit-number", type=click.IntRange(0), default=None, help="Of table VIII in your copy; none: dropped.")
@click.option("--why", default="", help="With --act: the reason.")
@click.option("--by", "who", default="", help="With --act: who decides.")
@options.as_json
def supplier(
    supplier: str, act: str | None, part: str, group: str, limit_number: int | None, why: str, who: str, as_json: bool
) -> None:
    """What SUPPLIER's lots came to: our own suspects first, means, failures, what he claims, severities.

    Example: anglewright lot supplier 'Fallowmere Traction (invented)'
    """
    from rig.cli.pages import lot_supplier as page
    from rig.records.book.jobs import Book
    from rig.records.book.lot_entries import SeverityAct
    from rig.records.book.lots import LotBook
    from rig.records.store import Store
    from rig.review.lots.series import checked_act
    from rig.review.lots.supplier import supplier_view

    store = Store()
    if act is not None:
        entry = SeverityAct(
            supplier=supplier, part=part, group=group, kind=act, why=why, who=who, limit_number=limit_number
        )
        state = checked_act(LotBook(store), entry)
        Book(store).add("severity", entry, "at_utc")
        click.echo(f"{supplier}, {part}, {group}: {state.severity} ({state.why})", err=as_json)
    found = supplier_view(store, supplier)
    print_json(found.to_dict()) if as_json else click.echo("\n".join(page.rows(found)))
