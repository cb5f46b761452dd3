"""`anglewright job ...`, `remark` and `judge`: the shop's book, what was seen at a run, kept runs judged again.

Words in, text or one JSON document out; the rooms below do the work. Heavy libraries are imported inside the commands.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any

import click

Told = Callable[[Callable[..., None]], Callable[..., None]]
as_json = click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
part = click.option("--part", required=True, help="Part number, as in the part file.")
serial = click.option("--serial", required=True, help="Serial number of the unit.")


def register(cli: click.Group, told: Told) -> None:
    """Add the commands to the command line."""
    group = click.Group("job", help="Jobs: open one, take units in, hand them back, slips, export and import.")
    cli.add_command(group)
    of_a_job: dict[str, Callable[..., None]] = {"open": open_job, "in": take_in, "out": hand_back, "show": show_job}
    of_a_job |= {"slip": slip, "export": export, "import": import_}
    others: dict[str, Callable[..., None]] = {"remark": remark, "judge": judge}
    for parent, commands in ((group, of_a_job), (cli, others)):
        for name, command in commands.items():
            parent.command(name)(told(command))


@click.argument("job")
@click.option("--customer", default="", help="Customer, as told.")
@click.option("--reference", default="", help="The customer's own reference.")
@click.option("--decision", default="", help="Decision rule agreed with the customer.")
@click.option("--remark", default="", help="Anything else.")
def open_job(**words: str) -> None:
    """Open JOB, or add to what is known of it."""
    from rig.records.book.jobs import Book, Job
    from rig.records.store import Store

    click.echo(f"job {Book(Store()).open_job(Job(**words)).job}")


@click.argument("job")
@part
@serial
@click.option("--condition", default="", help="Condition on arrival.")
@click.option("--complaint", default="", help="The customer's complaint, as told.")
@click.option("--fault-codes", default="", help="Stored fault codes, as told.")
@click.option("--rotor", default="own", show_default=True, help="own, none, or whose.")
@click.option("--received-by", default="", help="Who took it in.")
@click.option("--remark", default="", help="Anything else.")
@as_json
def take_in(as_json: bool, **words: str) -> None:
    """Take a unit in under JOB: warnings about its serial, then its labels."""
    from rig.certificate.sheets.slips import label
    from rig.records.book.jobs import Book, Intake
    from rig.records.index.history import History
    from rig.records.store import Store

    store = Store()
    warnings = History(store).duplicates(words["part"], words["serial"], words["job"])
    intake = Book(store).take_in(Intake(**words))
    for warning in warnings:
        click.echo(f"warning: {warning}", err=True)
    told = asdict(intake)
    click.echo(json.dumps(told | {"warnings": warnings}, ensure_ascii=False) if as_json else label(told))


@click.argument("job")
@part
@serial
@click.option("--handed-to", default="", help="Who took it.")
@click.option("--remark", default="", help="Anything else.")
def hand_back(**words: str) -> None:
    """Hand a unit of JOB back, and print its slip."""
    from rig.certificate.sheets.slips import hand_back_slip
    from rig.records.book.jobs import Book, Return
    from rig.records.index.history import History
    from rig.records.store import Store

    store = Store()
    Book(store).hand_back(Return(**words))
    click.echo(hand_back_slip(History(store), words["job"], words["part"], words["serial"]))


@click.argument("job")
@part
@serial
def slip(job: str, part: str, serial: str) -> None:
    """Print the slip of a unit of JOB as it stands."""
    from rig.certificate.sheets.slips import hand_back_slip
    from rig.records.index.history import History
    from rig.records.store import Store

    click.echo(hand_back_slip(History(Store()), job, part, serial))


@click.argument("job")
def show_job(job: str) -> None:
    """All that is known of JOB, as one JSON document: its data, intakes, returns and runs."""
    from rig.records.index.history import History
    from rig.records.store import Store

    click.echo(json.dumps(History(Store()).job(job), ensure_ascii=False, allow_nan=False))


@click.argument("job")
@click.argument("file", type=click.Path(path_type=Path))
def export(job: str, file: Path) -> None:
    """Write all closed runs and entries of JOB into FILE (.zip), with hashes."""
    from rig.records.exchange import export_job
    from rig.records.store import Store

    made = export_job(Store(), job, file)
    click.echo(f"{made.path}: {len(made.runs)} runs, {made.entries} entries")
    for run in made.left_out:
        click.echo(f"left out, not closed: {run}", err=True)


@click.argument("file", type=click.Path(path_type=Path))
def import_(file: Path) -> None:
    """Take a job from FILE into this home; anything altered on the way is refused."""
    from rig.records.exchange import import_job
    from rig.records.store import Store

    came = import_job(Store(), file)
    click.echo(f"job {came.job}: {len(came.runs)} new runs, {len(came.known)} known, {came.entries} new entries")


@click.argument("run")
@click.argument("text", default="")
@click.option("--step", default="", help="The step it belongs to.")
@click.option("--author", default="", help="Who noted it.")
@click.option("--photo", type=click.Path(path_type=Path), default=None, help="A picture: JPEG, PNG or WebP.")
def remark(run: str, text: str, step: str, author: str, photo: Path | None) -> None:
    """Note TEXT, a photo, or both at a kept RUN."""
    from rig.records.store import Store

    made = Store().add_remark(run, text, author=author, step=step, photo=photo)
    click.echo(" ".join(name for name in (made.file, made.photo) if name))


@click.argument("run", required=False)
@click.option("--part-file", default=None, help="Judge by this part file's limits (a name or a path).")
@click.option(
    "--learned", default=None, metavar="newest|VERSION", help="Judge by approved learned limits, not those of the run."
)
@click.option("--campaign", default=None, help="Judge the whole archive under this name; started again, it goes on.")
@click.option("--workers", default=0, help="Processes of this machine; 0: this one alone.")
@click.option("--cluster", "address", default=None, help="A Dask scheduler, tcp://...; it reads the same home.")
@click.option("--table", type=click.Path(path_type=Path), default=None, help="Write what changed as CSV.")
@as_json
def judge(
    run: str | None,
    part_file: str | None,
    learned: str | None,
    campaign: str | None,
    workers: int,
    address: str | None,
    table: Path | None,
    as_json: bool,
) -> None:
    """Judge RUN again, or with --campaign the archive: a new evaluation beside the old, and what changed."""
    from rig.description.parts import load_part
    from rig.errors import UsageError
    from rig.records.files import write_new
    from rig.records.store import Store
    from rig.review import archive, crews

    if (run is None) == (campaign is None):
        raise UsageError("judge one run or an archive.", next_action="Give a run's id, or --campaign NAME.")
    limits = load_part(part_file) if part_file else None
    if run is not None:
        file, changed = archive.judge_again(Store(), run, limits, learned=_version(learned))
        document: dict[str, Any] = {"run": run, "file": str(file), **changed}
        click.echo(json.dumps(document, ensure_ascii=False, allow_nan=False) if as_json else _changed(changed))
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
        write_new(table, report.csv().encode())
    told = report.to_dict()
    if as_json:
        click.echo(json.dumps(told, ensure_ascii=False, allow_nan=False))
        return
    summary = told["summary"]
    click.echo(f"{summary['runs']} runs judged, {summary['unchanged']} unchanged, {len(report.faults)} not judged")
    for what, count in (*summary["outcomes"].items(), *summary["verdicts"].items()):
        click.echo(f"{count:>6}  {what}")
    for name, fault in report.faults.items():
        click.echo(f"{name}: {fault}", err=True)


def _version(text: str | None) -> int | None:
    """None: the limits that each run was given; 0: the newest approved ones."""
    from rig.errors import UsageError

    if text is None or text == "newest":
        return None if text is None else 0
    if not text.isdigit() or int(text) == 0:
        raise UsageError(f"{text!r} is no version of learned limits.", next_action="Give its number, or newest.")
    return int(text)


def _changed(told: dict[str, Any]) -> str:
    from rig.review.changes import in_words

    before, after = told["outcome"]
    lines = [f"outcome: {after}" if before == after else f"outcome: {before} -> {after}"]
    for line in told["lines"]:
        moved = [
            f"{key} {in_words(pair[0])} -> {in_words(pair[1])}" for key, pair in line.items() if key != "measurand"
        ]
        lines.append(f"{line['measurand']}: {'; '.join(moved)}")
    return "\n".join(lines if len(lines) > 1 or before != after else [*lines, "nothing changed"])
