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
    from rig.description.places import default_home

    if (default_home() / "import").is_dir():  # an import was killed
        from rig.records.exchange.arriving import settle_imports
        from rig.records.store import Store

        settle_imports(Store())
    if (default_home() / "names").is_dir():
        from rig.jobs.kept.removing.erasing import settle_erasures
        from rig.records.store import Store

        settle_erasures(Store())


@job.command("open")
@click.argument("job")
@click.option("--customer", default="", help="Customer's name.")
@click.option("--reference", default="", help="The customer's own reference.")
@click.option("--contact", default="", help="The customer's contact, as it is printed on reports.")
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
@click.option("--all", "whole", is_flag=True, help="Write the whole home into FILE, without keys: a backup.")
@click.option("--drill", is_flag=True, help="Restore the backup FILE into a temporary folder and look it over.")
def carry(file: Path, job: str, whole: bool, drill: bool) -> None:
    """With --job or --all write into FILE, with hashes; without them take the job or the backup of FILE into this home.

    Anything altered on the way is refused. A backup is restored into an empty home only.

    Example: anglewright job carry j-0042.zip --job J-0042
    """
    from rig.errors import RecordError, UsageError
    from rig.jobs.kept import carrying, home_check
    from rig.records import backup
    from rig.records.store import Store

    store = Store()
    if sum(map(bool, (job, whole, drill))) > 1:
        raise UsageError("--job, --all and --drill are three things.", next_action="Give one of them, or none.")
    if whole:
        click.echo(f"{file}: {backup.back_up(store.home, file)} files of {store.home}; private keys are left out")
    elif drill:
        count, wrong = home_check.drill(file)
        click.echo(f"{file}: {count} files restored, {len(wrong)} things do not hold")
        if wrong:
            raise RecordError("\n".join(wrong), next_action="Make another backup, and look at the home: job check.")
    elif job:
        made = carrying.carry_out(store, job, file)
        click.echo(f"{made.path}: {len(made.runs)} runs, {made.entries} entries")
        for run in made.left_out:
            click.echo(f"left out, not closed: {run}", err=True)
    elif backup.is_backup(file):
        stated = backup.restore(file, store.home)
        click.echo(f"{store.home}: {len(stated.files)} files of {stated.made_utc[:10]}; put the key back by hand")
    else:
        came = carrying.take_in(store, file)
        click.echo(f"job {came.job}: {len(came.runs)} new runs, {len(came.known)} known, {came.entries} new entries")


@job.command()
@options.as_json
def check(as_json: bool) -> None:
    """Look this home over: what is damaged, missing or altered, each in one line; the rest works. Exit status 1 if any.

    Example: anglewright job check
    """
    import sys

    from rig.description.places import default_home
    from rig.jobs.kept.home_check import damages

    found = damages(default_home())
    print_json({"home": str(default_home()), "damaged": found}) if as_json else click.echo(
        "\n".join(found) or "everything holds"
    )
    sys.exit(1 if found else 0)


@job.command()
@click.option("--delete", is_flag=True, help="Delete what is due; stubs keep the hashes.")
@click.option("--by", "who", default="", help="Who deletes.")
@options.as_json
def due(delete: bool, who: str, as_json: bool) -> None:
    """List what the shop's [retention] lets go of old runs; with --delete it goes, and a stub stays with the hashes.

    Example: anglewright job due
    """
    from dataclasses import asdict

    from rig.errors import UsageError
    from rig.jobs.kept.removing.letting_go import due_now, let_go
    from rig.records.store import Store

    store = Store()
    found = due_now(store)
    if delete:
        if not who.strip():
            raise UsageError("who deletes is not said.", next_action="Give --by.")
        let_go(store, found, who)
    if as_json:
        print_json({"due": [asdict(one) for one in found], "deleted": delete})
        return
    for one in found:
        click.echo(f"{'deleted' if delete else 'due'}  {one.run}  {', '.join(one.files)}  ({one.rule})")
    click.echo(f"{len(found)} due" if found else "nothing is due")


@job.command()
@click.argument("customer")
@click.option("--why", default="", help="Why, without the name.")
@options.by
@click.option("--keep-reports", is_flag=True, help="Leave the reports that print the name in their folders.")
@options.as_json
def erase(customer: str, why: str, who: str, keep_reports: bool, as_json: bool) -> None:
    """Erase CUSTOMER, with the contact and whoever fetched the units, from this home; hashes and proofs stay valid.

    Backups, job files and reports in other hands are not reached.

    Example: anglewright job erase 'Order desk' --why 'asked for in writing' --by 'operator 2'
    """
    from rig.cli.pages.job import erasure_rows
    from rig.jobs.kept.removing.erasing import erase_customer
    from rig.records.store import Store

    done = erase_customer(Store(), customer, why=why, who=who, keep_reports=keep_reports)
    print_json(asdict(done)) if as_json else click.echo("\n".join(erasure_rows(done, keep_reports)))
