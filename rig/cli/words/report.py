"""`anglewright report`: issue, amend or withdraw a report, list them, verify a file; the calibration sheet.

It loads neither benches nor sequences, so that a report is there at once. Exit status of verify: 0 unchanged,
1 altered, 2 unreadable, 3 unknown.
"""

from __future__ import annotations

import shutil
import sys
from collections.abc import Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path

import click

from rig.cli import options
from rig.cli.group import InOrder, print_json
from rig.cli.pick import pick_run


@click.group(cls=InOrder)
def report() -> None:
    """Reports: issue or withdraw one, list them, verify a file from anywhere."""
    from rig.certificate.pending import FOLDER, settle
    from rig.description.places import default_home

    if (default_home() / FOLDER).is_dir():  # an issue was killed
        settle(default_home())


@report.command()
@options.what()
@options.part_number
@click.option("--out", type=click.Path(path_type=Path), default=None, help="Copy the files into this folder.")
@click.option("--reason", default="", help="Why an amended report takes the place of the one that was issued.")
@click.option(
    "--correct",
    "corrections",
    multiple=True,
    metavar="NAME=WORDS",
    help="With --reason: serial, job, customer, condition or operator as it should have been. May be repeated.",
)
@options.as_json
def issue(what: str, part: str, out: Path | None, reason: str, corrections: Sequence[str], as_json: bool) -> None:
    """Write the report of a kept run: PDF, JSON, XML, CSV. A serial number means its newest judged full test.

    Written again it must come out as it was issued; with --reason an amended report takes its place.

    Example: anglewright report issue 4L-00871
    """
    from rig.certificate import issue as issuing
    from rig.jobs.kept.which_run import RunKind
    from rig.records.store import Store

    stored = pick_run(what, RunKind(certified=True), part=part)
    made = issuing.issue(Store(), stored, reason=reason, corrections=_pairs(corrections))
    files = dict(made.files)
    if out is not None:
        out.mkdir(parents=True, exist_ok=True)
        files = {kind: str(shutil.copy2(path, out)) for kind, path in files.items()}
    if as_json:
        print_json({"run": stored.id, "number": made.number, "again": made.again, "files": files})
        return
    for kind, path in files.items():
        click.echo(f"{kind:<12} {path}")
    if made.again:
        click.echo(f"report {made.number} was issued before; it comes out the same.", err=True)


@report.command()
@options.what()
@click.option("--reason", required=True, help="Why; the report stays listed.")
@options.as_json
def withdraw(what: str, reason: str, as_json: bool) -> None:
    """Withdraw the newest report of a run.

    Example: anglewright report withdraw 4L-00871 --reason 'wrong unit clamped'
    """
    from rig.certificate import issue as issuing
    from rig.jobs.kept.which_run import RunKind
    from rig.records.store import Store

    entry = issuing.withdraw(Store(), pick_run(what, RunKind(certified=True)).id, reason)
    document = {"number": entry.number, "withdrawn": entry.reason}
    print_json(document) if as_json else click.echo(f"withdrawn {entry.number}")


@report.command("list")
@click.option("--serial", default="", help="Only reports of this serial number.")
@options.as_json
def list_reports(serial: str, as_json: bool) -> None:
    """List the reports issued, amended and withdrawn, newest first.

    Example: anglewright report list
    """
    from rig.certificate.seal.register import Register, in_force
    from rig.description.places import default_home

    register = Register(default_home())
    rows = [(e, state) for e, state in in_force(register.entries, register) if serial in ("", e.serial)]
    if as_json:
        listed = [{**asdict(entry), "state": state} for entry, state in rows]
        print_json({"reports": listed, "broken": register.faults})
    for entry, state in () if as_json else rows:
        mark = " SIMULATED" if entry.simulated else ""
        click.echo(
            f"{entry.at_utc[:10]}  {entry.number:<32} {entry.part} {entry.serial}  {entry.outcome}{mark}  {state}"
        )
    for fault in register.faults:
        click.echo(f"register: {fault}", err=True)
    sys.exit(1 if register.faults else 0)


@report.command()
@click.argument("what", nargs=-1, required=True, metavar="FILE|WHAT...")
@options.as_json
def verify(what: Sequence[str], as_json: bool) -> None:
    """Tell whether a report (PDF, XML or JSON from anywhere) or a kept run is unchanged, altered (where) or unknown.

    Example: anglewright report verify 4L-00871
    """
    from rig.certificate.seal.verify import verify as check
    from rig.certificate.seal.verify_run import run_verification
    from rig.cli.pages.report import verify_rows
    from rig.description.places import default_home
    from rig.records.store import Store

    found = [
        check(Path(one), default_home()) if Path(one).exists() else run_verification(Store(), pick_run(one))
        for one in what
    ]
    print_json([asdict(one) for one in found]) if as_json else click.echo("\n".join(verify_rows(found)))
    sys.exit(max(one.exit_status for one in found))


@report.command()
@click.argument("what", nargs=-1, required=True, metavar="WHAT...")
@options.part_number
@click.option("--out", type=click.Path(path_type=Path), default=None, help="The file to write (.zip); by default here.")
@options.as_json
def bundle(what: Sequence[str], part: str, out: Path | None, as_json: bool) -> None:
    """One file with reports, readings and proofs, and a program that checks it without the shop: verify.pyz beside it.

    Example: anglewright report bundle 4L-00871
    """
    from rig.jobs.kept.carrying import bundle_of
    from rig.jobs.kept.which_run import RunKind
    from rig.records.store import Store

    runs = [pick_run(one, RunKind(certified=True), part=part) for one in what]
    name = "".join(c if c.isalnum() or c in "-_." else "-" for c in "-".join(what))[:60]
    path, program = bundle_of(Store(), runs, out or Path(f"bundle-{name}.zip"))
    if as_json:
        print_json({"bundle": str(path), "verifier": str(program), "runs": [run.id for run in runs]})
        return
    click.echo(f"{path}\n{program}\nTo check it: python {program} {path}")


@report.command()
@click.argument("sequence")
@options.out
@options.as_json
def method(sequence: str, out: Path | None, as_json: bool) -> None:
    """The sheet of a method as a PDF, made from the sequence itself: steps, conditions, definitions of the lines.

    Example: anglewright report method full_test
    """
    from rig.cli.pages.report import write_sheet
    from rig.jobs.kept.method import method_sheet

    sheet = method_sheet(sequence)
    write_sheet(sheet, out, sheet.subject, as_json=as_json)


@report.command()
@click.option("--on", type=click.DateTime(["%Y-%m-%d"]), default=None, help="The day; by default today.")
@options.out
@options.as_json
def calibration(on: datetime | None, out: Path | None, as_json: bool) -> None:
    """Calibration status as a PDF, of every instrument seen and of the rig's own channels: current, due soon, overdue.

    Example: anglewright report calibration
    """
    from rig.certificate.sheets.calibration import calibration_sheet
    from rig.cli.pages.report import write_sheet
    from rig.records.store import Store

    day = (on or datetime.now(UTC)).date()
    write_sheet(calibration_sheet(Store(), on=day), out, f"calibration {day}", as_json=as_json)


def _pairs(texts: Sequence[str]) -> dict[str, str]:
    from rig.errors import UsageError

    made: dict[str, str] = {}
    for text in texts:
        name, equals, value = text.partition("=")
        if not equals:
            raise UsageError(f"correction {text!r} can't be read.", next_action="Write NAME=WORDS, e.g. customer=Mill.")
        made[name.strip()] = value.strip()
    return made
