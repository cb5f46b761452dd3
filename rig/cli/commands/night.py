"""`anglewright queue`: a night's runs, added, listed, run under one arming, stopped. Words in, text or JSON out."""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import click

from rig.errors import UsageError

Told = Callable[[Callable[..., None]], Callable[..., None]]
COLUMNS = ("n", "sequence", "part", "serial", "outcome", "run")

as_json = click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")


@click.argument("sequence")
@click.option("--part", required=True, help="Part file: a name or a path.")
@click.option("--serial", required=True, help="Serial number of the unit, as stamped or labelled.")
@click.option("--bench", default="simulated", show_default=True, help="Bench file, or a world file.")
@click.option("--world", default=None, help="World of the simulated bench.")
@click.option("--clamping", default=1, show_default=True, help="Which clamping of the world (simulated bench only).")
@click.option("--holder", default=None, help="Holder file, instead of the bench file's own.")
@click.option("--job", default="", help="Job number.")
@click.option("--operator", default="", help="Who does the work.")
@click.option("--condition", default="", help="As received, after cleaning, after soak ...")
@click.option("--speed", default="fast", show_default=True, help="Clock of the simulated bench.")
@as_json
def add(as_json: bool, **asked: Any) -> None:
    """Add a run of SEQUENCE to the night's queue; its files are looked at now, its bench at night."""
    from rig.description.parts import load_part
    from rig.jobs import run_job as jobs
    from rig.jobs.night.night import row
    from rig.jobs.night.queue import Queue
    from sequences.registry import find as find_sequence

    for name in ("part", "bench", "world", "holder"):
        if asked[name] is not None and Path(asked[name]).is_file():
            asked[name] = str(Path(asked[name]).resolve())
    request = jobs.Request(**asked)
    load_part(request.part, draft=find_sequence(request.sequence).name in jobs.DRAFTS)
    jobs.described(request)
    if not request.serial.strip():
        raise UsageError("the serial number is empty.", next_action="Give it as stamped, or the shop's own label.")
    entry = Queue().add(request)
    click.echo(json.dumps(row(entry)) if as_json else f"added as {entry.n}: {request.sequence} of {request.serial}")


@as_json
def list_(as_json: bool) -> None:
    """List what waits, what runs, and how the last night's parts ended."""
    from rig.jobs.night.night import row
    from rig.jobs.night.queue import SCHEMA, Queue

    queue = Queue()
    rows, runs = [row(entry) for entry in queue.entries()], queue.night_runs()
    if as_json:
        click.echo(json.dumps({"schema": SCHEMA, "night_runs": runs, "parts": rows}, ensure_ascii=False))
        return
    click.echo("a night is running" if runs else "no night is running")
    _table([{**one, "outcome": one["outcome"] or one["state"]} for one in rows])


@click.argument("n", type=int)
@as_json
def remove(n: int, as_json: bool) -> None:
    """Take entry N out of the queue; a run that it made stays."""
    from rig.jobs.night.night import row
    from rig.jobs.night.queue import Queue

    entry = row(Queue().remove(n))
    click.echo(json.dumps(entry) if as_json else f"removed {n}: {entry['sequence']} of {entry['serial']}")


@click.option("--until", required=True, metavar="HH:MM", help="Local time at which the arming ends, within a day.")
@as_json
def run(until: str, as_json: bool) -> None:
    """Run the queue under one arming that ends at --until, at a stop, with an opened guard or a power cut.

    Exit status: 0 when every part is within limits or measured; else 6 fault of the program, 4 bench, 5 stopped or
    not run, 2 refused, 3 unsound or undecided, 1 outside limits, the first of these that occurred.
    """
    from rig.cli.pages import run as screen
    from rig.jobs.night.night import Night, row
    from rig.jobs.night.queue import Queue

    outcome = Night(Queue(), seconds_until(until, datetime.now()), screen.Progress(quiet=as_json)).run()
    if as_json:
        click.echo(json.dumps(outcome.document(), ensure_ascii=False))
    else:
        click.echo(f"night ended: {outcome.ended}")
        _table([row(entry) for entry in outcome.entries])
    sys.exit(outcome.exit_status)


def stop() -> None:
    """Stop the running night: outputs off at once, the part in work is kept as incomplete, the rest waits on."""
    from rig.jobs.night.queue import Queue

    Queue().ask_to_stop()
    click.echo("asked to stop; `anglewright queue list` tells when it has")


def seconds_until(told: str, now: datetime) -> float:
    """From now to the next time (local) that a clock shows told, "HH:MM". Raises UsageError."""
    read = re.fullmatch(r"([01]?\d|2[0-3]):([0-5]\d)", told)
    if read is None:
        raise UsageError(f"{told!r} is no time of day.", next_action="Write e.g. --until 06:30.")
    end = now.replace(hour=int(read[1]), minute=int(read[2]), second=0, microsecond=0)
    if end <= now:
        end += timedelta(days=1)
    return (end - now).total_seconds()


def _table(rows: Sequence[Mapping[str, Any]]) -> None:
    cells = [COLUMNS, *(tuple(str(one[name]) for name in COLUMNS) for one in rows)]
    widths = [max(map(len, column)) for column in zip(*cells, strict=True)]
    for i, line in enumerate(cells):
        click.echo("  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip())
        if i and rows[i - 1]["reason"]:
            click.echo(f"    {rows[i - 1]['reason']}")


def register(cli: click.Group, guard: Told) -> None:
    """Add `queue` to the command line."""

    @cli.group()
    def queue() -> None:
        """A night's queue: parts run one after the other under one arming."""

    for name, command in (("add", add), ("list", list_), ("remove", remove), ("run", run), ("stop", stop)):
        queue.command(name)(guard(command))
