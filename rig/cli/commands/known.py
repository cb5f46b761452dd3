"""`anglewright library ...`: known-good units in and out, limits they make, approval, history.

Words in, text or one JSON document out; rig/review/library.py does the work. Heavy libraries are imported inside.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from rig.review.learning import Rule
    from rig.review.library import Library

Told = Callable[[Callable[..., None]], Callable[..., None]]
Command = Callable[..., None]
as_json = click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
by = click.option("--by", "who", required=True, help="Who says so.")


def register(cli: click.Group, told: Told) -> None:
    """Add `library` with its commands to the command line."""
    group = click.Group("library", help="Known-good units of a part number, and the limits learned from them.")
    commands: dict[str, Command] = {"add": add, "withdraw": withdraw, "list": list_, "limits": limits}
    commands |= {"approve": approve, "history": history}
    for name, command in commands.items():
        group.command(name)(told(command))
    cli.add_command(group)


def rule_options(command: Command) -> Command:
    """The shop's rule: coverage (of a line, or of all lines together), confidence, when limits are provisional."""
    for option in (
        click.option("--provisional-below", "approve_n", default=20, show_default=True, help="Units asked for."),
        click.option("--confidence", default=0.95, show_default=True, help="That the coverage is held."),
        click.option("--family", type=float, default=None, help="Share of good parts within all lines together."),
        click.option("--coverage", default=0.99, show_default=True, help="Share of good parts within each line."),
    ):
        command = option(command)
    return command


@click.argument("runs", nargs=-1, required=True, metavar="RUN...")
@click.option("--how", required=True, help="How it is known: new from the maker, ran in a machine, compared ...")
@by
@as_json
def add(runs: Sequence[str], how: str, who: str, as_json: bool) -> None:
    """Take the unit of one or more kept RUNs in as known good."""
    from rig.records.store import Store

    store = Store()
    unit = _library(store).add([store.find(run) for run in runs], how=how, who=who)
    count = len(_library(store).units(unit.part))
    document = {"part": unit.part, "serial": unit.serial, "runs": list(unit.runs), "values": dict(unit.values)}
    if as_json:
        click.echo(json.dumps(document | {"units": count}, ensure_ascii=False, allow_nan=False))
        return
    click.echo(f"{unit.part} {unit.serial}: {len(unit.values)} lines teach; {count} known-good units")
    click.echo("approved limits stay as they are until the next approval")


@click.argument("part")
@click.argument("serial")
@click.option("--why", required=True, help="What was found.")
@by
def withdraw(part: str, serial: str, why: str, who: str) -> None:
    """Take unit SERIAL of PART out again; it stays in the history, with the reason."""
    from rig.records.store import Store

    _library(Store()).withdraw(part, serial, why=why, who=who)
    click.echo(f"{part} {serial}: withdrawn ({why})")


@click.argument("part", required=False)
@as_json
def list_(part: str | None, as_json: bool) -> None:
    """List the units of PART with how each is known, or all part numbers that have a library."""
    from rig.cli.pages import known as page
    from rig.records.index.history import History
    from rig.records.store import Store

    store = Store()
    if part is None:
        rows = History(store).libraries()
        click.echo(json.dumps({"libraries": rows}, ensure_ascii=False)) if as_json else page.show_libraries(rows)
        return
    units = _library(store).units(part)
    if as_json:
        click.echo(json.dumps({"part": part, "units": [page.unit_data(unit) for unit in units]}, ensure_ascii=False))
    else:
        page.show_units(part, units)


@click.argument("part")
@click.option("--version", type=int, default=None, help="An approved version, instead of what the units make now.")
@rule_options
@as_json
def limits(part: str, version: int | None, family: float | None, as_json: bool, **rule: Any) -> None:
    """Show the tolerance limits that the known-good units of PART make; nothing is kept until they are approved."""
    from rig.cli.pages import known as page
    from rig.records.store import Store

    library = _library(Store())
    found = library.proposed(part, _rule(rule), family=family) if version is None else library.version(part, version)
    if as_json:
        click.echo(json.dumps(page.limits_data(found), ensure_ascii=False, allow_nan=False))
    else:
        page.show_limits(found)


@click.argument("part")
@by
@rule_options
@as_json
def approve(part: str, who: str, family: float | None, as_json: bool, **rule: Any) -> None:
    """Freeze the limits of PART as the next version: later runs are judged by it where the part file has no limit."""
    from rig.cli.pages import known as page
    from rig.records.store import Store

    made = _library(Store()).approve(part, _rule(rule), who=who, family=family)
    if as_json:
        click.echo(json.dumps(page.limits_data(made), ensure_ascii=False, allow_nan=False))
        return
    page.show_limits(made)


@click.argument("part")
@as_json
def history(part: str, as_json: bool) -> None:
    """Tell everything that was entered for PART: units in and out, versions approved, by whom and when."""
    from rig.cli.pages import known as page
    from rig.records.store import Store

    rows = [page.entry_data(entry) for entry in _library(Store()).history(part)]
    if as_json:
        click.echo(json.dumps({"part": part, "entries": rows}, ensure_ascii=False, allow_nan=False))
    else:
        page.show_history(part, rows)


def _library(store: Any) -> Library:
    from rig.review.library import Library

    return Library(store)


def _rule(told: dict[str, Any]) -> Rule:
    from rig.review.learning import Rule

    return Rule(**told)
