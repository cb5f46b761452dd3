"""`anglewright watch COIL`: ohms or amplitude while hands hunt for a loose contact. Words in, text or JSON out."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import click

Told = Callable[[Callable[..., None]], Callable[..., None]]
SCHEMA = "anglewright watch 1"
LONGEST_S = 600.0


@click.argument("coil", type=click.Choice(["exc", "sin", "cos"]))
@click.option("--part", required=True, help="Part file: a name or a path.")
@click.option("--serial", default="watch", show_default=True, help="Serial number of the unit.")
@click.option("--ac", is_flag=True, help="Amplitude under excitation instead of resistance.")
@click.option("--seconds", type=click.FloatRange(0.1, LONGEST_S), default=LONGEST_S, show_default=True, help="At most.")
@click.option("--bench", default="simulated", show_default=True, help="Bench file, or a world file.")
@click.option("--world", default=None, help="World of the simulated bench.")
@click.option("--speed", default="real", show_default=True, help="Clock of the simulated bench.")
@click.option("--job", default="", help="Job number.")
@click.option("--operator", default="", help="Who does the work.")
@click.option("--quiet", is_flag=True, help="No sound.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def watch(coil: str, ac: bool, seconds: float, quiet: bool, as_json: bool, **request: Any) -> None:
    """Watch COIL while you bend, tap, warm or cool it: big digits, a sound at each drop-out. Ctrl-C ends it."""
    from rig.cli.pages import watch as watch_screen
    from rig.description.parts import load_part
    from rig.jobs import questions as asked_runs
    from rig.jobs import run_job as jobs
    from sequences.watch import SEQUENCE

    asked = jobs.Request(sequence="watch", **request)
    bench, holder = jobs.described(asked)
    shown = watch_screen.Watched(coil, quiet=quiet, silent=as_json)
    finished = asked_runs.run_asked(
        asked_runs.Asked(
            sequence=SEQUENCE,
            request=asked,
            part=load_part(asked.part),
            bench=bench,
            holder=holder,
            details={"watch": {"coil": coil, "mode": "ac" if ac else "dc", "seconds": seconds}},
            settings={},
            by_hand=True,
        ),
        on_reading=shown.reading,
    )
    shown.close()
    if as_json:
        click.echo(json.dumps(document(finished), ensure_ascii=False, allow_nan=False))
        return
    if finished.stored.header.simulated:
        click.echo("SIMULATED: no part was measured")
    click.echo("\n".join([*finished.judgement.notes, f"run {finished.stored.id}"]))
    for reason in finished.judgement.reasons:
        click.echo(f"{reason.code}: {reason.text}\nwhy   {reason.evidence}\nnext  {reason.next}")


def document(finished: Any) -> dict[str, Any]:
    """The --json document."""
    return {
        "schema": SCHEMA,
        "run": finished.stored.id,
        "simulated": finished.stored.header.simulated,
        "watch": finished.judgement.curves.get("watch"),
        "reasons": [reason.to_dict() for reason in finished.judgement.reasons],
        "notes": list(finished.judgement.notes),
    }


def register(cli: click.Group, guard: Told) -> None:
    """Add `watch` to the command line."""
    cli.command("watch")(guard(watch))
