"""`anglewright night`: one clamped part overnight: planned, started under one arming, stopped, read in the morning."""

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
    """A night with one clamped part: planned, checked, started under one arming, stopped, read in the morning."""


@night.command()
@click.argument("sequence", default="")
@click.option("--part", default="", help="Part file: a name or a path.")
@click.option("--serial", default="", help="Serial number of the unit, as stamped or labelled.")
@options.on_bench
@options.job
@options.condition
@click.option("--times", type=click.IntRange(1, 500), default=1, show_default=True, help="So many looks.")
@click.option("--every-min", type=click.FloatRange(0, 1440), default=0.0, help="Minutes between two looks.")
@click.option(
    "--standards-every",
    type=click.IntRange(0, 500),
    default=0,
    help="Take the bench's standards first, last, and between each so many looks.",
)
@click.option("--soak", default="", help="Instead of SEQUENCE: a soak file, by its name or path.")
@click.option("--remove", "removed", type=int, default=None, metavar="N", help="Take entry N out; its run stays.")
@options.as_json
def plan(
    as_json: bool,
    removed: int | None,
    times: int,
    every_min: float,
    standards_every: int,
    soak: str,
    **request: Any,
) -> None:
    """List what is planned; add looks with SEQUENCE (--times) or the legs of --soak; --remove N takes one out.

    Files are looked at now, the bench at night. On one spindle a night is for one clamped part.

    Example: anglewright night plan quick_screen --part KX4-2207 --serial 4L-00871
    """
    from rig.jobs.night.outcome import row
    from rig.jobs.night.queue import SCHEMA, Queue

    queue = Queue()
    if removed is not None:
        entry = row(queue.remove(removed))
        print_json(entry) if as_json else click.echo(f"removed {removed}: {entry['sequence']} of {entry['serial']}")
        return
    if soak:
        from rig.description.soaks import load_soak
        from rig.jobs.night.planning import add_soak

        entries = add_soak(queue, _check_request({**request, "sequence": ""}), load_soak(soak))
    elif request["sequence"]:
        from rig.description.soaks import Standards
        from rig.jobs.night.planning import add_looks

        wanted = Standards(every_looks=standards_every) if standards_every else None
        entries = add_looks(queue, _check_request(request), times=times, every_min=every_min, standards=wanted)
    else:
        entries = []
    if entries:
        rows = [row(entry) for entry in entries]
        numbers = f"{entries[0].n} to {entries[-1].n}" if len(entries) > 1 else str(entries[0].n)
        added = f"added as {numbers}: {soak or rows[0]['sequence']} of {rows[0]['serial']}"
        print_json(rows[0] if len(rows) == 1 else {"added": rows}) if as_json else click.echo(added)
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
    load_part(made.part, draft=bool(made.sequence) and find_sequence(made.sequence).traits.draft_allowed)
    jobs.bench_and_holder(made)
    if not made.serial.strip():
        raise UsageError("the serial number is empty.", next_action="Give it as stamped, or the shop's own label.")
    return made


@night.command()
@click.option("--until", default="06:00", show_default=True, metavar="HH:MM", help="Local time of the stated end.")
@click.option("--notice", is_flag=True, help="Send a test notice first.")
@options.as_json
def check(until: str, notice: bool, as_json: bool) -> None:
    """Look whether the night may begin, each figure with what to do: the one that fails stands first.

    Plan, disk, calibrations, enable timer, bypass, standards, loopback, step limits, ceilings, clock, notices, sleep
    and updates of this machine. Nothing is opened. Exit status: 0, or 1 when something stands against the night.

    Example: anglewright night check
    """
    from rig.cli.pages.night import readiness_rows
    from rig.jobs.night.checks.readiness import readiness
    from rig.jobs.night.notices import send_test
    from rig.jobs.night.planning import end_of
    from rig.jobs.night.queue import Queue

    if notice:
        send_test()
    now = datetime.now().astimezone()
    found = readiness(Queue().entries(), end_of(until, now), now)
    against = [one for one in found if one.holds is False]
    if as_json:
        rows = [{"what": one.what, "figure": one.figure, "holds": one.holds, "do": one.do} for one in found]
        print_json({"schema": "anglewright readiness 1", "ready": not against, "figures": rows})
    else:
        click.echo("\n".join(readiness_rows(found, until)))
    sys.exit(1 if against else 0)


@night.command()
@click.argument("name", metavar="NIGHT", default="latest")
@options.print_pdf
@options.out
@options.as_json
def morning(name: str, printed: bool, out: Path | None, as_json: bool) -> None:
    """Say what happened in NIGHT (latest): the gravest sentence first, each with its figures.

    Example: anglewright night morning --help
    """
    from rig.cli.pages.night import morning_rows
    from rig.jobs.night.folder import find_night
    from rig.jobs.night.morning import morning as page_of

    page = page_of(find_night(name))
    if printed:
        from rig.jobs.night.morning_sheet import write_sheet

        click.echo(str(write_sheet(page, out)))
        return
    print_json(page.document()) if as_json else click.echo("\n".join(morning_rows(page)))


@night.command()
@click.option("--until", required=True, metavar="HH:MM", help="Local time at which the arming ends, within a day.")
@options.as_json
def start(until: str, as_json: bool) -> None:
    """Run what is planned under one arming that ends at --until, at a stop, with an opened guard or a power cut.

    Exit status: 0 when every part is within limits or measured; else 6 fault of the program, 4 bench, 5 stopped or
    not run, 2 refused, 3 unsound or undecided, 1 outside limits, the first of these that occurred.

    Example: anglewright night start --until 06:30
    """
    from rig.cli.following import follow
    from rig.cli.pages.live import Shown
    from rig.jobs.night.planning import ask_for_night

    ended = follow(ask_for_night(until, datetime.now()), Shown(quiet=as_json))
    document = ended["night"]
    if as_json:
        print_json(document)
    else:
        click.echo(f"night ended: {document['ended']}")
        _table(document["parts"])
        for refused in document["notices_refused"]:
            click.echo(f"notice: {refused}")
        if document["night"]:
            click.echo(f"what happened: anglewright night morning {document['night']}")
    sys.exit(ended["exit_status"])


@night.command()
def stop() -> None:
    """Stop the running night: outputs off at once, the part in work is kept as incomplete, the rest waits on.

    Example: anglewright night stop
    """
    from rig.jobs.night.queue import Queue

    Queue().ask_to_stop()
    click.echo("asked to stop; `anglewright night plan` tells when it has")


@night.command()
@click.argument("standard", default="")
@click.option("--bench", default="", help="Only takes of this bench.")
@click.option("--mark-suspects", "who", default="", metavar="WHO", help="Put an entry beside each suspect run.")
@click.option("--remark", default="", help="With --mark-suspects: what was found.")
@options.as_json
def chart(standard: str, bench: str, who: str, remark: str, as_json: bool) -> None:
    """Chart a STANDARD of the bench over its kept takes: baseline, takes outside, runs that are suspect by it.

    Without STANDARD those that were taken are listed. With --mark-suspects (and --bench) the lines that it stands for
    become suspect in every run between its last good take and a bad one; no figure, verdict, file or report changes.

    Example: anglewright night chart
    """
    from rig.cli.pages.night import chart_rows
    from rig.records.store import Store
    from rig.review import charts

    if not standard:
        store = Store()
        names = charts.standards_of([store.find(run) for run in store.ids()])
        shown = "\n".join(names) or "no standard was taken yet"
        print_json({"standards": list(names)}) if as_json else click.echo(shown)
        return
    marked = _mark(standard, bench, who, remark)
    found = charts.chart(standard, bench)
    if as_json:
        print_json({**found.document(), "marked": [{"run": r, "take": t, "lines": n} for r, t, n in marked]})
        return
    click.echo("\n".join(chart_rows(found)))
    for run, take, lines in marked:
        click.echo(f"marked: {lines} lines of run {run} are suspect by take {take}")


def _mark(standard: str, bench: str, who: str, remark: str) -> list[tuple[str, str, int]]:
    """The new suspect entries. Raises UsageError without a bench: a standard speaks for its own bench alone."""
    from rig.errors import UsageError
    from rig.jobs.night.checks.standards import mark_suspects
    from rig.records.store import Store

    if not who:
        return []
    if not bench:
        raise UsageError("suspects are marked for one bench.", next_action="Give --bench with its name.")
    return mark_suspects(Store(), standard, bench, who, remark)


def _table(rows: Sequence[Mapping[str, Any]]) -> None:
    cells = [COLUMNS, *(tuple(str(one[name]) for name in COLUMNS) for one in rows)]
    widths = [max(map(len, column)) for column in zip(*cells, strict=True)]
    for i, line in enumerate(cells):
        click.echo("  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip())
        if i and rows[i - 1]["reason"]:
            click.echo(f"    {rows[i - 1]['reason']}")
