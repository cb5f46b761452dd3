"""`anglewright job`: the shop's book: a job opened, units taken in and handed back, slips, a job carried elsewhere."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

import click

from rig.cli import options
from rig.cli.group import InOrder, print_json

part = click.option("--part", required=True, help="Part number, as in the part file.")


@click.group(cls=InOrder)
def job() -> None:
    """The shop's book: open a job, take units in, hand them back."""


@job.command("open")
@click.argument("job")
@click.option("--customer", default="", help="Customer's name.")
@click.option("--reference", default="", help="The customer's own reference.")
@click.option("--decision", default="", help="Decision rule agreed with the customer.")
@click.option("--remark", default="", help="Anything else.")
def open_job(**words: str) -> None:
    """Open JOB, or add to what is known of it.

    Example: anglewright job open J-0042 --customer 'Order desk'
    """
    from rig.records.book.entries import Job
    from rig.records.book.jobs import Book
    from rig.records.store import Store

    click.echo(f"job {Book(Store()).open_job(Job(**words)).job}")


@job.command("in")
@click.argument("job")
@part
@options.serial
@click.option("--condition", default="", help="Condition on arrival.")
@click.option("--complaint", default="", help="The customer's complaint, in his words.")
@click.option("--fault-codes", default="", help="Stored fault codes, as reported.")
@click.option("--rotor", default="own", show_default=True, help="own, none, or whose.")
@click.option("--received-by", default="", help="Who took it in.")
@click.option("--remark", default="", help="Anything else.")
@options.as_json
def take_in(as_json: bool, **words: str) -> None:
    """Take a unit in under JOB: warnings about its serial number, then its labels.

    Example: anglewright job in J-0042 --part KX4-2207 --serial 4L-00871
    """
    from rig.certificate.sheets.slips import label
    from rig.records.book.entries import Intake
    from rig.records.book.jobs import Book
    from rig.records.index.history import History
    from rig.records.store import Store

    store = Store()
    warnings = History(store).duplicates(words["part"], words["serial"], words["job"])
    intake = asdict(Book(store).take_in(Intake(**words)))
    for warning in warnings:
        click.echo(f"warning: {warning}", err=True)
    print_json(intake | {"warnings": warnings}) if as_json else click.echo(label(intake))


@job.command("out")
@click.argument("job")
@part
@options.serial
@click.option("--handed-to", default="", help="Who took it.")
@click.option("--remark", default="", help="Anything else.")
def hand_back(**words: str) -> None:
    """Hand a unit of JOB back, and print its slip.

    Example: anglewright job out J-0042 --part KX4-2207 --serial 4L-00871
    """
    from rig.certificate.sheets.slips import hand_back_slip
    from rig.records.book.entries import Return
    from rig.records.book.jobs import Book
    from rig.records.index.history import History
    from rig.records.store import Store

    store = Store()
    Book(store).hand_back(Return(**words))
    click.echo(hand_back_slip(History(store), words["job"], words["part"], words["serial"]))


@job.command()
@click.argument("job")
@part
@options.serial
def slip(job: str, part: str, serial: str) -> None:
    """Print the slip of a unit of JOB as it stands.

    Example: anglewright job slip J-0042 --part KX4-2207 --serial 4L-00871
    """
    from rig.certificate.sheets.slips import hand_back_slip
    from rig.records.index.history import History
    from rig.records.store import Store

    click.echo(hand_back_slip(History(Store()), job, part, serial))


@job.command()
@click.argument("job")
@options.as_json
def show(job: str, as_json: bool) -> None:
    """All that is known of JOB: its data, units taken in and handed back, runs.

    Example: anglewright job show J-0042
    """
    from rig.cli.pages.job import job_rows
    from rig.records.index.history import History
    from rig.records.store import Store

    found = History(Store()).job(job)
    print_json(found) if as_json else click.echo("\n".join(job_rows(found)))


@job.command()
@options.what()
@options.part_number
@click.option("--cured", "result", flag_value="cured", help="What it was fitted to is cured.")
@click.option("--came-back", "result", flag_value="came back", help="It came back; --why says with what.")
@click.option("--why", default="", help="What was found.")
@options.by
@options.as_json
def outcome(what: str, part: str, result: str | None, why: str, who: str, as_json: bool) -> None:
    """Record what became of a unit after fitting: cured, or came back. Later advice and limits count it.

    WHAT is the test on which it was fitted; a serial number means its newest judged full test.

    Example: anglewright job outcome 4L-00871 --cured --by 'operator 2'
    """
    from rig.cli.pick import pick_run
    from rig.jobs.kept.outcome import record_outcome
    from rig.jobs.kept.which_run import RunKind
    from rig.records.store import Store

    stored = pick_run(what, RunKind(certified_first=True), part=part)
    entry, told = record_outcome(Store(), stored, result or "", why=why, who=who)
    print_json(asdict(entry) | {"experience": told}) if as_json else click.echo(
        f"{entry.serial}: {entry.outcome}; {told}"
    )


@job.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--job", default="", help="Write all closed runs and entries of this job into FILE (.zip).")
def carry(file: Path, job: str) -> None:
    """With --job write the job into FILE, with hashes; without it take the job of FILE into this home.

    Anything altered on the way is refused.

    Example: anglewright job carry j-0042.zip --job J-0042
    """
    from rig.records import exchange
    from rig.records.store import Store

    if not job:
        came = exchange.import_job(Store(), file)
        click.echo(f"job {came.job}: {len(came.runs)} new runs, {len(came.known)} known, {came.entries} new entries")
        return
    made = exchange.export_job(Store(), job, file)
    click.echo(f"{made.path}: {len(made.runs)} runs, {made.entries} entries")
    for run in made.left_out:
        click.echo(f"left out, not closed: {run}", err=True)
