"""`anglewright probe PINS` and `anglewright pins RUN`: words in, the pin report out.

Everything is done by rig/jobs/pins, imported inside the commands so that --help answers at once.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from rig.jobs.pins.table import AnalysedPairs

Told = Callable[[Callable[..., None]], Callable[..., None]]


def finish(found: AnalysedPairs, as_json: bool) -> None:
    """Print and leave with the exit status."""
    from rig.cli.pages.pins import pins_page

    click.echo(json.dumps(found.document(), ensure_ascii=False, allow_nan=False) if as_json else pins_page(found))
    sys.exit(found.exit_status)


def probe(
    pins: str, bench: str | None, part: str | None, lead_ohm: float | None, draft_to: Path | None, as_json: bool
) -> None:
    """Guided probing by hand: asks the next most telling pair of PINS (8, or names: A,B,C,D); type ohms or OL.

    With --bench the bench's multimeter is read instead: hold the probes, wait for the sound, go on to the next pair.
    """
    from rig.jobs.pins.by_hand import by_bench, by_typing, pin_names
    from rig.jobs.pins.table import analyse_observed

    def ask(question: str) -> str:
        answer: str = click.prompt(question, default="", show_default=False, err=True)
        return answer

    def say(text: str) -> None:
        click.echo(text, err=True)

    names = pin_names(pins)
    observed = by_bench(names, bench, say, lead_ohm) if bench else by_typing(names, ask, say, lead_ohm)
    source = str(observed.header["recording"]["source"])
    finish(analyse_observed(observed, source, part=part, draft_to=draft_to), as_json)


def pins(run_id: str, draft_to: Path | None, as_json: bool) -> None:
    """What a kept run of the pins sequence found (RUN_ID or latest), and its draft part file."""
    from rig.jobs.pins.table import analyse_run

    finish(analyse_run(run_id, draft_to=draft_to), as_json)


AS_JSON = click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
DRAFT = click.option("--draft", "draft_to", type=click.Path(path_type=Path), help="Write a draft part file here.")


def _options(command: Callable[..., None]) -> Callable[..., None]:
    for option in (
        AS_JSON,
        DRAFT,
        click.option("--lead-ohm", type=float, metavar="OHM", help="What the shorted probes read; taken off."),
        click.option("--part", default=None, help="Part file whose pin map is compared (a draft will do)."),
    ):
        command = option(command)
    return command


def register(top: click.Group, told: Told) -> None:
    """Hang `probe` and `pins` into the command line. told: wraps a command with our errors."""
    bench = click.option("--bench", default=None, help="Read this bench's multimeter, two hand-held probes on it.")
    top.command("probe")(click.argument("pins")(bench(_options(told(probe)))))
    top.command("pins")(click.argument("run_id", default="latest")(AS_JSON(DRAFT(told(pins)))))
