"""`anglewright unit`: the kept runs, one of them, a unit's history, units side by side, judged again, files."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import click

from rig.cli import options
from rig.cli.group import WithDefault, print_json
from rig.cli.pick import pick_run
from rig.cli.words.read import read

NEWEST = 20
ASPECTS = ["rotor", "excitation", "sequence", "holder", "condition", "temperature", "limits"]


@click.group(cls=WithDefault)
def unit() -> None:
    """`unit` lists the newest runs, `unit WHAT` shows one with every line; more is asked by the commands below."""


unit.add_command(read)


@unit.command("show", hidden=True)
@options.what(required=False)
@options.part_number
@click.option("--serial", default="", help="List only runs of this serial number.")
@click.option("--all", "every", is_flag=True, help=f"List every run, not only the newest {NEWEST}.")
@options.print_pdf
@options.out
@options.as_json
def show(what: str | None, part: str, serial: str, every: bool, printed: bool, out: Path | None, as_json: bool) -> None:
    """List the newest kept runs, or show WHAT with every line; with --print the history of its unit as a PDF.

    Example: anglewright unit 4L-00871
    """
    if what is None:
        from rig.cli.pages.runs import show_runs
        from rig.jobs.kept.listing import kept_runs

        rows = kept_runs(serial=serial, part=part, most=None if every else NEWEST)
        print_json({"runs": rows}) if as_json else show_runs(rows)
        return
    stored = pick_run(what, part=part)
    if printed:
        _print_history(stored.header.part.get("number", ""), stored.header.serial, out, as_json)
        return
    from rig.cli.pages.run import show_finished
    from rig.jobs.kept.kept_run import kept_run
    from rig.records.store import Store
    from rig.review.units.outcomes import experience

    finished = kept_run(stored.id)
    known = experience(Store(), stored)
    if as_json:
        print_json(finished.document() | {"experience": None if known is None else str(known)})
        return
    show_finished(finished, every_line=True)
    if known is not None:
        click.echo(f"fitted before: {known}")


def _print_history(part: str, serial: str, out: Path | None, as_json: bool) -> None:
    from rig.certificate.sheets.history import history_sheet
    from rig.cli.pages.report import shop, write_sheet
    from rig.records.store import Store

    write_sheet(history_sheet(Store(), part, serial, shop()), out, f"history {serial}", as_json=as_json)


@unit.command()
@click.argument("units", nargs=-1, required=True, metavar="WHAT...")
@options.part_number
@click.option(
    "--despite", multiple=True, type=click.Choice(ASPECTS), help="Compare although this differs; it is printed."
)
@click.option("--all", "every", is_flag=True, help="Every line, not only those with a limit or a difference.")
@options.print_pdf
@options.out
@options.as_json
def compare(
    units: Sequence[str],
    part: str,
    despite: Sequence[str],
    every: bool,
    printed: bool,
    out: Path | None,
    as_json: bool,
) -> None:
    """Put two to four units of one part number side by side: the failed one first, then the donors.

    A serial number stands for its newest judged full test. Differences are to the first unit, with U over re-clamping.

    Example: anglewright unit compare 4L-00871 4L-00538
    """
    from rig.jobs.kept.which_run import RunKind
    from rig.review.units import comparing
    from rig.review.units.advice import advice

    runs = [pick_run(name, RunKind(certified_first=True), part=part) for name in units]
    if printed:
        _print_donors(runs, out, as_json)
        return
    found = comparing.compare(runs, despite=despite)
    opinion = advice(found)
    if as_json:
        print_json(comparing.to_dict(found) | {"advice": asdict(opinion)})
        return
    from rig.cli.pages import compare as page

    page.show(found, opinion, every=every)


def _print_donors(runs: Sequence[Any], out: Path | None, as_json: bool) -> None:
    from rig.certificate.sheets.donors import donor_sheet
    from rig.cli.pages.report import shop, write_sheet

    name = "donors " + " ".join(run.header.serial for run in runs)
    write_sheet(donor_sheet(runs, shop()), out, name, as_json=as_json)


@unit.command()
@options.what()
@click.argument("text", default="")
@click.option("--step", default="", help="The step it belongs to.")
@click.option("--author", default="", help="Who noted it.")
@click.option("--photo", type=click.Path(path_type=Path), default=None, help="A picture: JPEG, PNG or WebP.")
def remark(what: str, text: str, step: str, author: str, photo: Path | None) -> None:
    """Note TEXT, a photo, or both at a kept run.

    Example: anglewright unit remark 4L-00871 'one pin bent, straightened'
    """
    from rig.records.store import Store

    made = Store().add_remark(pick_run(what).id, text, author=author, step=step, photo=photo)
    click.echo(" ".join(name for name in (made.file, made.photo) if name))


@unit.command()
@options.what(required=False)
@click.option("--clear", "decision", flag_value="cleared", help="Its figures stand: the cause did not touch them.")
@click.option("--confirm", "decision", flag_value="confirmed", help="They don't: judge again without those lines.")
@click.option("--why", default="", help="The reason, in a sentence.")
@click.option("--by", "who", default="", help="Who decides.")
@click.option("--evidence", default="", metavar="RUN", help="A run that shows it.")
@options.as_json
def suspect(what: str | None, decision: str | None, why: str, who: str, evidence: str, as_json: bool) -> None:
    """List what is suspect in this home, or in WHAT; --clear or --confirm ends it, with a reason and a name.

    A decision is one more entry; figures, verdicts and reports stay as they are. What is confirmed is judged again
    without the lines in question, as a new evaluation beside the old one.

    Example: anglewright unit suspect
    """
    from rig.errors import UsageError
    from rig.jobs.night.checks.settling import settle, suspects_of_home
    from rig.records.store import Store

    if decision is not None:
        if what is None:
            raise UsageError("no run was named.", next_action="Give the run or serial that is decided about.")
        made = settle(Store(), pick_run(what).id, decision, why=why, who=who, evidence=evidence)
        if as_json:
            print_json(made)
            return
        click.echo(f"run {made['run']}: {made['decision']}; its outcome is {made['outcome']}")
        for number in made["amend"]:
            click.echo(f"report {number} says otherwise: anglewright report issue {made['run']} amends it")
        return
    rows = suspects_of_home(Store())
    if what is not None:
        run = pick_run(what).id
        rows = [row for row in rows if row["run"] == run]
    if as_json:
        print_json({"schema": "anglewright suspects 1", "suspects": rows})
        return
    for row in rows:
        end = f" by {row['who']}: {row['why']}" if row["who"] else ""
        click.echo(f"{row['run']}  {row['serial']:<14} {row['state']}{end}\n    {row['cause']}")
        if row["reports"]:
            click.echo(f"    reports of it: {', '.join(row['reports'])}")
    if not rows:
        click.echo("nothing is suspect")


@unit.command()
@click.argument("serial")
@options.part_number
@click.option("--job", default="", help="Only under this job; by default under every one.")
@click.option("--new-serial", default="", help="The serial number as it should have been.")
@click.option("--new-part", default="", help="The part number as it should have been; limits: unit judge --part-file.")
@click.option("--customer", "new_customer", default="", help="The customer as it should have been.")
@click.option("--taken-back", is_flag=True, help="The intake never was one: it leaves the book's lists.")
@click.option("--reason", "why", required=True, help="Why; it stands in every amended report.")
@options.by
@options.as_json
def correct(as_json: bool, **words: Any) -> None:
    """Put a wrong serial, part or customer right: lists, history and job follow, issued reports are amended.

    Example: anglewright unit correct 4L-00871 --part KX4-2207 --customer Mill --reason misread --by 'operator 2'
    """
    from rig.jobs.kept.correcting import correct_unit
    from rig.records.book.laboratory import Correction
    from rig.records.store import Store

    store = Store()
    if not words["part"]:
        words["part"] = _only_part(store, words["serial"])
    found = correct_unit(store, Correction(**words))
    numbers = [report.number for report in found.reports]
    if as_json:
        print_json({"runs": found.runs, "entries": found.entries, "reports": numbers})
        return
    click.echo(f"{len(found.runs)} runs and {found.entries} entries of the book show it")
    for number in numbers:
        click.echo(f"amended report {number}")


def _only_part(store: Any, serial: str) -> str:
    from rig.errors import UsageError

    parts = sorted({row.part for row in store.list(serial=serial)})
    if len(parts) != 1:
        known = f"under {len(parts)} parts: {', '.join(parts)}" if parts else "in no run"
        raise UsageError(f"serial {serial} is known {known}.", next_action="Name the part with --part.")
    return str(parts[0])


@unit.command()
@options.what(required=False)
@click.option("--part-file", default=None, help="Judge by this part file's limits (a name or a path).")
@click.option(
    "--learned", default=None, metavar="newest|VERSION", help="Judge by approved learned limits, not those of the run."
)
@click.option("--campaign", default=None, help="Judge the whole archive under this name; started again, it goes on.")
@click.option("--workers", default=0, help="Processes of this machine; 0: this one alone.")
@click.option("--cluster", "address", default=None, help="A Dask scheduler, tcp://...; it reads the same home.")
@click.option("--table", type=click.Path(path_type=Path), default=None, help="Write what changed as CSV.")
@options.as_json
def judge(
    what: str | None,
    part_file: str | None,
    learned: str | None,
    campaign: str | None,
    workers: int,
    address: str | None,
    table: Path | None,
    as_json: bool,
) -> None:
    """Judge WHAT again, or with --campaign the archive: a new evaluation beside the old, and what changed.

    Example: anglewright unit judge 4L-00871
    """
    from rig.cli.pages.judging_again import archive_rows, changed_rows
    from rig.description.parts import load_part
    from rig.errors import UsageError
    from rig.records.files import write_new
    from rig.records.store import Store
    from rig.review.archive import archive, crews

    if (what is None) == (campaign is None):
        raise UsageError("judge one run or an archive.", next_action="Give a run, or --campaign NAME.")
    limits = load_part(part_file) if part_file else None
    if what is not None:
        stored = pick_run(what)
        file, changed = archive.judge_again(Store(), stored.id, limits, learned=_version(learned))
        document: dict[str, Any] = {"run": stored.id, "file": str(file), **changed}
        print_json(document) if as_json else click.echo("\n".join(changed_rows(changed)))
        return
    crew = crews.cluster(address) if address else crews.processes(workers) if workers else crews.alone
    report = archive.judge_archive(
        Store(),
        str(campaign),
        part=limits,
        learned=_version(learned),
        crew=crew,
        on_progress=lambda d, n: click.echo(f"{d} of {n}", err=True),
    )
    if table is not None:
        write_new(table, report.csv())
    print_json(report.to_dict()) if as_json else click.echo("\n".join(archive_rows(report)))


def _version(text: str | None) -> int | None:
    """None: the limits that each run was given; 0: the newest approved ones."""
    from rig.errors import UsageError

    if text is None or text == "newest":
        return None if text is None else 0
    if not text.isdigit() or int(text) == 0:
        raise UsageError(f"{text!r} is no version of learned limits.", next_action="Give its number, or newest.")
    return int(text)
