"""Options that several commands share: each is declared once, with its help and its completion."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from rig.cli.completion import complete_name, complete_run, complete_serial

Command = Callable[..., Any]
Decorator = Callable[[Command], Command]

as_json = click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
bench = click.option(
    "--bench",
    default="simulated",
    show_default=True,
    shell_complete=complete_name("bench"),
    help="Bench file (or a world file: a simulated bench).",
)
part_file = click.option(
    "--part", required=True, shell_complete=complete_name("part"), help="Part file: a name or a path."
)
part_number = click.option("--part", default="", help="Part number, when the serial is known under several.")
serial = click.option(
    "--serial", required=True, shell_complete=complete_serial, help="Serial number of the unit, as stamped or labelled."
)
world = click.option(
    "--world",
    default=None,
    shell_complete=complete_name("world"),
    help="World of the simulated bench, instead of the bench file's own.",
)
clamping = click.option(
    "--clamping", default=1, show_default=True, help="Which clamping of the world (simulated bench only)."
)
holder = click.option(
    "--holder",
    default=None,
    shell_complete=complete_name("holder"),
    help="Holder file, instead of the bench file's own.",
)
job = click.option("--job", default="", help="Job number.")
operator = click.option("--operator", default="", help="Who does the work.")
condition = click.option(
    "--condition", default="", help="As received, after cleaning, after soak ...; conditions are compared."
)
speed = click.option(
    "--speed", default="fast", show_default=True, help="Clock of the simulated bench: real, fast, or a factor."
)
by = click.option("--by", "who", required=True, help="Who says so.")
print_pdf = click.option(
    "--print", "printed", is_flag=True, help="Write it as a PDF instead (--out: where; by default here)."
)
out = click.option("--out", type=click.Path(path_type=Path), default=None, help="The PDF to write.")
answers = click.option(
    "--answer", "answers", multiple=True, metavar="KEY=VALUE", help="An answer beforehand, e.g. sampler.shunt_ohm=1."
)


def what(*, required: bool = True, name: str = "what") -> Decorator:
    """A run by its id or the beginning of it, "latest", a serial number, or a report number."""
    return click.argument(name, metavar="WHAT", required=required, shell_complete=complete_run)


def on_bench(command: Command) -> Command:
    """The options of everything that runs a clamped part: bench, world, clamping, holder, speed, operator."""
    for option in (operator, speed, holder, clamping, world, bench):
        command = option(command)
    return command
