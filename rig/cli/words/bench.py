"""`anglewright bench`: make a bench file, check a bench, what it can decide, serve a simulated one, print its truth."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from rig.cli import options
from rig.cli.completion import complete_name
from rig.cli.group import InOrder, print_json


@click.group(cls=InOrder)
def bench() -> None:
    """Look at a bench: make its file, check what is connected, what it can decide; nothing is energised."""


@bench.command()
@click.argument("name")
@click.option("--tcp", "hosts", multiple=True, metavar="HOST:PORT", help="An instrument on the network; repeatable.")
@click.option(
    "--link", "links", multiple=True, metavar="URL", help="Any other link, as a bench file has it; repeatable."
)
@click.option("--search/--no-search", default=True, show_default=True, help="Ask serial ports by id, USB and GPIB too.")
@options.answers
@click.option("--yes", "assume", is_flag=True, help="Take every proposal and default without asking.")
@click.option("--write", type=click.Path(path_type=Path), default=None, help="File, instead of NAME in the home.")
@options.as_json
def new(
    name: str,
    hosts: tuple[str, ...],
    links: tuple[str, ...],
    search: bool,
    answers: tuple[str, ...],
    assume: bool,
    write: Path | None,
    as_json: bool,
) -> None:
    """Make the bench file NAME: find what is connected, propose a role for each, ask the rest; nothing is switched.

    Example: anglewright bench new my-bench
    """
    from rig.jobs.bench import set_up
    from rig.jobs.bench.dialogue import Questions

    ask = Questions(answers, assume=assume, say=say, read_line=sys.stdin.readline)
    found = set_up.search([*(f"tcp://{host}" for host in hosts), *links], everywhere=search, say=say)
    made = set_up.make(name, write, found, ask)
    if as_json:
        print_json(made.document())
        return
    click.echo(made.text, nl=False)
    say(f"Written to {made.path}. Next: anglewright bench check {made.path}")


@bench.command()
@click.argument("bench_name", metavar="BENCH", default="simulated", shell_complete=complete_name("bench"))
@options.as_json
def check(bench_name: str, as_json: bool) -> None:
    """Open every instrument of BENCH, identify it, time a round trip; which sequences can run.

    Example: anglewright bench check
    """
    from rig.cli.pages.run import show_bench
    from rig.jobs.bench.look import check_bench

    report = check_bench(bench_name)
    print_json(report) if as_json else show_bench(report)
    sys.exit(0 if report["complete"] else 4)


@bench.command()
@options.as_json
def families(as_json: bool) -> None:
    """List every family of instruments, and what each driver has met: hardware, a peer of others, our simulator only.

    Example: anglewright bench families
    """
    from rig.cli.pages.run import show_families
    from rig.jobs.bench.look import list_families

    rows = list_families()
    print_json({"schema": "anglewright families 1", "families": rows}) if as_json else show_families(rows)


@bench.command()
@options.part_file
@options.bench
@options.as_json
def can(part: str, bench: str, as_json: bool) -> None:
    """Can BENCH judge PART's limits? Expected U of every line, what dominates, what a better bench would change.

    Example: anglewright bench can --part KX4-2207
    """
    from rig.cli.pages.capability import capability_page

    page = capability_page(part, bench)
    print_json(page.document()) if as_json else click.echo(page.text())


@bench.command()
@click.argument("world", shell_complete=complete_name("world"))
@options.clamping
@click.option("--speed", default="real", show_default=True, help="real, fast, or a factor.")
@click.option("--write", type=click.Path(path_type=Path), default=None, help="Write a bench file that points to it.")
def simulate(**request: Any) -> None:
    """Serve the simulated instruments of WORLD on local sockets and pseudo-terminals until stopped.

    Example: anglewright bench simulate good_4
    """
    from rig.jobs.bench.look import serve_simulated

    serve_simulated(**request)


@bench.command()
@click.argument("world", shell_complete=complete_name("world"))
@options.clamping
def truth(world: str, clamping: int) -> None:
    """Print what a perfect bench would measure of WORLD's part: as clamped and as centred, outputs open (JSON).

    Example: anglewright bench truth good_4
    """
    from rig.jobs.bench import look

    click.echo(look.truth(world, clamping))


def say(text: str) -> None:
    """A line for the person, on standard error."""
    click.echo(text, err=True)
