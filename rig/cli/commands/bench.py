"""`anglewright bench new`, `prove`, `remount`, `separate` and `capability`: words in, text or one JSON document out.

It computes nothing. Heavy libraries are imported inside the commands.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

as_json = click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
check = click.option("--check", "check", multiple=True, metavar="RUN", help="Runs of a second part's set, as a check.")


@click.command()
@click.option("--part", required=True, help="Part file: a name or a path.")
@click.option("--serial", required=True, help="Serial number of the part that is clamped anew.")
@click.option("--clampings", type=click.Choice(["2", "3", "5"]), default="3", show_default=True)
@click.option("--bench", default="simulated", show_default=True, help="Bench file.")
@click.option("--world", default=None, help="World of the simulated bench; its holder.angles_deg are the clampings.")
@click.option("--speed", default="fast", show_default=True, help="Clock of the simulated bench.")
@click.option("--operator", default="", help="Who does the work.")
@check
@as_json
def remount(clampings: str, check: tuple[str, ...], as_json: bool, **request: Any) -> None:
    """Clamp one part at several angles, tell its error from the axis', keep the axis' correction."""
    from rig.cli.pages import run as screen
    from rig.jobs import run_job as jobs
    from rig.jobs.bench import remount as remounting

    asked = jobs.Request(sequence="remount", **request)
    simulated = jobs.described(asked)[0].simulated

    def ask(number: int, of: int, offset_mech_deg: float) -> None:
        told = f"clamping {number} of {of}: the stator turned {offset_mech_deg:.1f} deg (mechanical) from the first"
        click.echo(told + (" (simulated)" if simulated else ""), err=True)
        if not simulated:
            click.confirm("Clamped within 3 deg, spigot seated, guard closed?", abort=True, err=True)

    runs = remounting.guided(asked, int(clampings), ask, screen.Progress(quiet=as_json))
    show(remounting.evaluated(runs, check), as_json)


@click.command()
@click.argument("runs", nargs=-1, required=True)
@check
@as_json
def separate(runs: tuple[str, ...], check: tuple[str, ...], as_json: bool) -> None:
    """Evaluate the kept RUNS of a remount again, or finish a set that was cut short."""
    from rig.jobs.bench import remount as remounting

    show(remounting.evaluated(runs, check), as_json)


@click.command()
@click.option("--part", required=True, help="Part file: a name or a path.")
@click.option("--bench", default="simulated", show_default=True, help="Bench file.")
@as_json
def capability(part: str, bench: str, as_json: bool) -> None:
    """Can BENCH judge PART's limits? Expected U of every line, what dominates, what a better bench would change."""
    from rig.cli.pages.capability import asked

    show(asked(part, bench), as_json)


@click.command()
@click.argument("name")
@click.option("--tcp", "hosts", multiple=True, metavar="HOST:PORT", help="An instrument on the network; repeatable.")
@click.option(
    "--link", "links", multiple=True, metavar="URL", help="Any other link, as a bench file has it; repeatable."
)
@click.option("--search/--no-search", default=True, show_default=True, help="Ask serial ports by id, USB and GPIB too.")
@click.option(
    "--answer", "answers", multiple=True, metavar="KEY=VALUE", help="An answer beforehand, e.g. sampler.shunt_ohm=1."
)
@click.option("--yes", "assume", is_flag=True, help="Take every proposal and default without asking.")
@click.option("--write", type=click.Path(path_type=Path), default=None, help="File, instead of NAME in the home.")
@as_json
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
    """Make the bench file NAME: find what is connected, propose a role for each, ask the rest; nothing is switched."""
    from rig.jobs.bench import bring_up
    from rig.jobs.bench.dialogue import Questions

    def say(text: str) -> None:
        click.echo(text, err=True)

    ask = Questions(answers, assume=assume, say=say, read_line=sys.stdin.readline)
    found = bring_up.search([*(f"tcp://{host}" for host in hosts), *links], everywhere=search, say=say)
    made = bring_up.make(name, write, found, ask)
    if as_json:
        click.echo(json.dumps(made.document(), ensure_ascii=False, allow_nan=False))
        return
    click.echo(made.text, nl=False)
    say(f"Written to {made.path}. Next: anglewright bench check {made.path}")


@click.command()
@click.option("--part", required=True, help="Part file that names frequency and level; no part is needed on the bench.")
@click.option("--bench", default="simulated", show_default=True, help="Bench file.")
@click.option("--world", default=None, help="World of the simulated bench, instead of the bench file's own.")
@click.option("--known", default="", metavar="SERIAL", help="A known part, clamped now: its test is part of it.")
@click.option("--operator", default="", help="Who does the work.")
@click.option("--speed", default="fast", show_default=True, help="Clock of the simulated bench.")
@as_json
def prove(as_json: bool, known: str, **request: Any) -> None:
    """Prove the bench: leads, check resistor, channels, ratio, level, axis; kept as its health record."""
    from rig.cli.pages import run as screen
    from rig.jobs import run_job as jobs
    from rig.jobs.bench import health as proving

    of = ""
    if known:
        tested = jobs.Request(sequence="full_test", serial=known, condition="known part", **request)
        of = jobs.run_job(tested, screen.Progress(quiet=as_json)).stored.id
    asked = jobs.Request(sequence=proving.SEQUENCE, serial="bench", known=of, **request)
    finished = jobs.run_job(asked, screen.Progress(quiet=as_json))
    name = jobs.calibration_name(jobs.described(asked)[0])
    health = next(one for one in proving.history(name) if one["run"] == finished.stored.id)
    click.echo(json.dumps(health, ensure_ascii=False, allow_nan=False) if as_json else proving.page(health))
    sys.exit(1 if health["fell_short"] else 3 if health["not_capable"] else 0)


def show(told: Any, as_json: bool) -> None:
    """A document or its text."""
    click.echo(json.dumps(told.document(), ensure_ascii=False, allow_nan=False) if as_json else told.text())


def register(group: click.Group, guard: Callable[[Callable[..., None]], Callable[..., None]]) -> None:
    """Add the commands to `bench`, each telling our own errors as the others do."""
    for command in (new, prove, remount, separate, capability):
        if command.callback is not None:
            command.callback = guard(command.callback)
        group.add_command(command)
