"""`anglewright holder new`: words in, a holder file and its text or one JSON document out.

It computes nothing. Heavy libraries are imported inside the command.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path

import click

Told = Callable[[Callable[..., None]], Callable[..., None]]


@click.argument("name")
@click.option("--bench", "bench_name", default="simulated", show_default=True, help="Bench file.")
@click.option("--world", default=None, help="World of the simulated bench, instead of the bench file's own.")
@click.option("--part", default=None, help="Part file whose connector the adapter fits: names the pins to teach.")
@click.option("--pins", default="", metavar="PIN,PIN", help="Pins to teach, besides the part file's or instead.")
@click.option(
    "--answer",
    "answers",
    multiple=True,
    metavar="KEY=VALUE",
    help="An answer beforehand, e.g. pin.9=none or datum=dowel.",
)
@click.option("--write", type=click.Path(path_type=Path), default=None, help="File, instead of NAME in the home.")
@click.option("--speed", default="fast", show_default=True, help="Clock of the simulated bench.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def new(
    name: str,
    bench_name: str,
    world: str | None,
    part: str | None,
    pins: str,
    answers: tuple[str, ...],
    write: Path | None,
    speed: str,
    as_json: bool,
) -> None:
    """Teach the holder file NAME: each pin touched with the core clip, one marked turn, index and datum.

    Nothing is excited. The bench is closed while hands work.
    """
    from rig.description.benches import load_bench
    from rig.description.loading import find
    from rig.errors import UsageError
    from rig.jobs.bench.dialogue import Questions
    from rig.jobs.bench.holder import Teaching, make, pins_of

    def say(text: str) -> None:
        click.echo(text, err=True)

    file = load_bench(bench_name)
    if world is not None:
        if file.world is None:
            raise UsageError(f"bench {file.name} has no world.", next_action="Leave --world out.")
        file = file.model_copy(update={"world": str(find("world", world))})
    named = pins_of(part, [pin.strip() for pin in pins.split(",") if pin.strip()], file)
    ask = Questions(answers, assume=False, say=say, read_line=sys.stdin.readline)
    made = make(name, write, Teaching(bench=file, pins=named, speed=speed, ask=ask, say=say))
    if as_json:
        click.echo(json.dumps(made.document(), ensure_ascii=False, allow_nan=False))
        return
    click.echo(made.text, nl=False)
    say(f'Written to {made.path}. Next: holder = "{name}" in the bench file.')


def register(cli: click.Group, guard: Told) -> None:
    """Add `holder new` to the command line."""
    group = click.Group("holder", help="Holder files: teach a new one by hand.")
    group.command("new")(guard(new))
    cli.add_command(group)
