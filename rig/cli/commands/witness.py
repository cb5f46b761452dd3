"""`anglewright witness RUN`: rig or part? The plan, or one witness taken and read. Words in, text or JSON out."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from rig.jobs.witness import Answer, Plan

Told = Callable[[Callable[..., None]], Callable[..., None]]
KINDS = ("plug", "open", "dummy", "swap", "reseat")


@click.argument("run_id", metavar="RUN", default="latest")
@click.option("--suspect", "codes", multiple=True, help="Only this reason, finding or line. May be repeated.")
@click.option("--take", type=click.Choice(KINDS), default=None, help="Take this witness now.")
@click.option("--operator", default="", help="Who does the work.")
@click.option("--speed", default="fast", show_default=True, help="Clock of the simulated bench.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def witness(run_id: str, codes: tuple[str, ...], take: str | None, operator: str, speed: str, as_json: bool) -> None:
    """Rig or part? Which witness on the same adapter settles what is suspected in RUN; --take one and read it."""
    from rig.cli.pages import run as screen
    from rig.jobs import witness as witness_run

    found = witness_run.plan(run_id, codes)
    if take is not None:
        if take in found.kinds:
            _hands(found, take)
        progress = screen.Progress(quiet=as_json)
        witness_run.take(found, take, speed=speed, operator=operator, on_progress=progress)
    taken = witness_run.answers(found.run)
    if as_json:
        click.echo(json.dumps(document(found, taken), ensure_ascii=False, allow_nan=False))
        return
    click.echo("\n".join([*(planned(found) if take is None else []), *told(taken)]))


def _hands(found: Plan, kind: str) -> None:
    """What hands have to do first; on the simulated bench it is done already."""
    from rig.diagnosis.witness import WITNESSES

    simulated = found.run.header.simulated
    click.echo(WITNESSES[kind].do + (" (simulated)" if simulated else ""), err=True)
    if not simulated:
        click.confirm("Done, guard closed?", abort=True, err=True)


def document(found: Plan, taken: list[Answer]) -> dict[str, Any]:
    """The --json document."""
    from rig.diagnosis.witness import WITNESSES
    from rig.jobs.witness import SCHEMA, all_said

    plan = [
        {"witness": kind, "title": WITNESSES[kind].title, "do": WITNESSES[kind].do, "lines": [s.line for s in lines]}
        for kind, lines in found.kinds.items()
    ]
    return {
        "schema": SCHEMA,
        "run": found.run.id,
        "simulated": found.run.header.simulated,
        "suspects": [{**one.to_dict(), "witnesses": list(one.kinds)} for one in found.asked],
        "plan": plan,
        "answers": [answer.to_dict() for answer in taken],
        "together": all_said(taken),
    }


def planned(found: Plan) -> list[str]:
    """The plan in words."""
    from rig.diagnosis.witness import WITNESSES

    if not found.kinds:
        return [f"run {found.run.id}: nothing in it asks for a witness"]
    rows = [f"rig or part? run {found.run.id}, {len(found.asked)} suspected lines"]
    for kind, lines in found.kinds.items():
        one = WITNESSES[kind]
        rows += [
            "",
            f"{one.title}: {', '.join(line.line for line in lines)}",
            f"  do     {one.do}",
            f"  rig    {one.rig}",
            f"  part   {one.part}",
            f"  take   anglewright witness {found.run.id} --take {kind}",
        ]
    return rows


def told(taken: list[Answer]) -> list[str]:
    """Answers in words, the figures below."""
    from rig.diagnosis.witness import WITNESSES
    from rig.jobs.witness import all_said

    rows = []
    for answer in taken:
        rows += ["", f"{WITNESSES[answer.kind].title} (run {answer.run}): {answer.said}"]
        rows += [f"  {one.suspect.line}: {one.answer}; {one.told}" for one in answer.settled]
    if len(taken) > 1:
        rows += ["", "all witnesses together"]
        rows += [f"  {line}: {said}" for line, said in all_said(taken).items()]
    return rows


def register(cli: click.Group, guard: Told) -> None:
    """Add `witness` to the command line."""
    cli.command("witness")(guard(witness))
