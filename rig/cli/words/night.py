"""`anglewright night`: what a night is to run, started under one arming, stopped."""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from rig.cli import options
from rig.cli.group import InOrder, print_json

COLUMNS = ("n", "sequence", "part", "serial", "outcome", "run")


@click.group(cls=InOrder)
def night() -> None:
    """A night's runs, one after the other under one arming."""


@night.command()
@click.argument("sequence", default="")
@click.option("--part", default="", help="Part file: a name or a path.")
@click.option("--serial", default="", help="Serial number of the unit, as stamped or labelled.")
@options.on_bench
@options.job
@options.condition
@click.option("--remove", "removed", type=int, default=None, metavar="N", help="Take entry N out; its run stays.")
@options.as_json
def plan(as_json: bool, removed: int | None, **request: Any) -> None:
    """List what is planned; with SEQUENCE add a run to it; with --remove N take one out.

    Its files are looked at now, its bench at night.

    Example: anglewright night plan quick_screen --part KX4-2207 --serial 4L-00871
    """
    from rig.jobs.night.night import row
    from rig.jobs.night.queue import SCHEMA, Queue

    queue = Queue()
    if removed is not None:
        entry = row(queue.remove(removed))
        print_json(entry) if as_json else click.echo(f"removed {removed}: {entry['sequence']} of {entry['serial']}")
        return
    if request["sequence"]:
        entry = row(queue.add(_check_request(request)))
        added = f"added as {entry['n']}: {entry['sequence']} of {entry['serial']}"
        print_json(entry) if as_json else click.echo(added)
        return
    rows, runs = [row(entry) for entry in queue.entries()], queue.night_runs()
    if as_json:
        print_json({"schema": SCHEMA, "night_runs": runs, "parts": rows})
        return
    click.echo("a night is running" if runs else "no night is running")
    _table([{**one, "outcome": one["outcome"] or one["state"]} for one in rows])


def _check_request(request: dict[str, Any]) -> Any:
    """The request with whole paths, its files read once. Raises UsageError or DescriptionError."""
    from rig.description.parts import load_part
    from rig.errors import UsageError
    from rig.jobs import run_job as jobs
    from sequences.registry import find_sequence

    if not request["part"]:
        raise UsageError("a run needs a part file.", next_action="Give --part.")
    for name in ("part", "bench", "world", "holder"):
        if request[name] is not None and Path(request[name]).is_file():
            request[name] = str(Path(request[name]).resolve())
    made = jobs.Request(**request)
    load_part(made.part, draft=find_sequence(made.sequence).traits.draft_allowed)
    jobs.bench_and_holder(made)
    if not made.serial.strip():
        raise UsageError("the serial number is empty.", next_action="Give it as stamped, or the shop's own label.")
    return made


@night.command()
@click.option("--until", required=True, metavar="HH:MM", help="Local time at which the arming ends, within a day.")
@options.as_json
def start(until: str, as_json: bool) -> None:
    """Run what is planned under one arming that ends at --until, at a stop, with an opened guard or a power cut.

    Exit status: 0 when every part is within limits or measured; else 6 fault of the program, 4 bench, 5 stopped or
    not run, 2 refused, 3 unsound or undecided, 1 outside limits, the first of these that occurred.

    Example: anglewright night start --until 06:30
    """
    from rig.cli.pages.run import ProgressLine
    from rig.jobs.night.night import Night, row, seconds_until
    from rig.jobs.night.queue import Queue

    outcome = Night(Queue(), seconds_until(until, datetime.now()), ProgressLine(quiet=as_json)).run()
    if as_json:
        print_json(outcome.document())
    else:
        click.echo(f"night ended: {outcome.ended}")
        _table([row(entry) for entry in outcome.entries])
    sys.exit(outcome.exit_status)


@night.command()
def stop() -> None:
    """Stop the running night: outputs off at once, the part in work is kept as incomplete, the rest waits on.

    Example: anglewright night stop
    """
    from rig.jobs.night.queue import Queue

    Queue().ask_to_stop()
    click.echo("asked to stop; `anglewright night plan` tells when it has")


def _table(rows: Sequence[Mapping[str, Any]]) -> None:
    cells = [COLUMNS, *(tuple(str(one[name]) for name in COLUMNS) for one in rows)]
    widths = [max(map(len, column)) for column in zip(*cells, strict=True)]
    for i, line in enumerate(cells):
        click.echo("  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip())
        if i and rows[i - 1]["reason"]:
            click.echo(f"    {rows[i - 1]['reason']}")
