"""`anglewright pins`: which coil is on which pin, asked pair by pair, from a table, or of a kept run."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.cli import options
from rig.cli.completion import complete_name
from rig.cli.group import InOrder, print_json
from rig.cli.pick import pick_run

if TYPE_CHECKING:
    from rig.jobs.pins.table import AnalysedPairs

draft = click.option("--draft", "draft_to", type=click.Path(path_type=Path), help="Write a draft part file here.")
lead = click.option("--lead-ohm", type=float, metavar="OHM", help="What the shorted probes read; taken off.")
part = click.option(
    "--part",
    default=None,
    shell_complete=complete_name("part"),
    help="Part file whose pin map is compared (a draft will do).",
)


@click.group(cls=InOrder)
def pins() -> None:
    """Which coil is on which pin? By resistances alone; nothing is driven."""


@pins.command()
@click.argument("pins")
@click.option("--bench", default=None, help="Read this bench's multimeter, two hand-held probes on it.")
@part
@lead
@draft
@options.as_json
def ask(
    pins: str, bench: str | None, part: str | None, lead_ohm: float | None, draft_to: Path | None, as_json: bool
) -> None:
    """Guided probing by hand: asks the next most telling pair of PINS (8, or names: A,B,C,D); type ohms or OL.

    With --bench the bench's multimeter is read instead: hold the probes, wait for the sound, go on to the next pair.

    Example: anglewright pins ask 8 --lead-ohm 0.2
    """
    from rig.jobs.pins.by_hand import by_bench, by_typing, pin_names
    from rig.jobs.pins.table import analyse_observed

    def question(text: str) -> str:
        answer: str = click.prompt(text, default="", show_default=False, err=True)
        return answer

    def say(text: str) -> None:
        click.echo(text, err=True)

    names = pin_names(pins)
    observed = by_bench(names, bench, say, lead_ohm) if bench else by_typing(names, question, say, lead_ohm)
    source = str(observed.header["recording"]["source"])
    _finish(analyse_observed(observed, source, part=part, draft_to=draft_to), as_json)


@pins.command()
@click.argument("file", type=click.Path(path_type=Path))
@part
@lead
@draft
@options.as_json
def table(file: Path, part: str | None, lead_ohm: float | None, draft_to: Path | None, as_json: bool) -> None:
    """Resistance between every two pins (CSV: pin_a, pin_b, ohm; OL for over range): which coil is where.

    Example: anglewright pins table fixtures/recordings/eight_pins.csv
    """
    from rig.jobs.pins.table import analyse_pairs

    _finish(analyse_pairs(file, part=part, lead_ohm=lead_ohm, draft_to=draft_to), as_json)


@pins.command("of")
@options.what()
@draft
@options.as_json
def of_run(what: str, draft_to: Path | None, as_json: bool) -> None:
    """What a kept run of the pins sequence found, and its draft part file.

    Example: anglewright pins of latest
    """
    from rig.jobs.kept.which_run import RunKind
    from rig.jobs.pins.table import analyse_run

    _finish(analyse_run(pick_run(what, RunKind(question="pins")).id, draft_to=draft_to), as_json)


def _finish(found: AnalysedPairs, as_json: bool) -> None:
    from rig.cli.pages.pins import pins_page

    print_json(found.document()) if as_json else click.echo(pins_page(found))
    sys.exit(found.exit_status)
