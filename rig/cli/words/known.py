"""`anglewright known`: known-good units of a part number, the limits learned from them, their approval."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import click

from rig.cli import options
from rig.cli.group import WithDefault, print_json
from rig.cli.pick import pick_run

if TYPE_CHECKING:
    from rig.review.library.learning import LearningRule
    from rig.review.library.library import Library

Command = Callable[..., Any]


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


@click.group("known", cls=WithDefault)
def known_units() -> None:
    """Known-good units: `known` lists the part numbers, `known PART` its units and the limits that they make."""


@known_units.command("show", hidden=True)
@click.argument("part", required=False)
@click.option("--version", type=int, default=None, help="An approved version, instead of what the units make now.")
@click.option("--units", is_flag=True, help="The units with how each is known.")
@click.option("--outcomes", is_flag=True, help="The limits that units make which cured what they were fitted to.")
@click.option("--history", is_flag=True, help="Everything that was entered: by whom and when.")
@rule_options
@options.as_json
def show(
    part: str | None,
    version: int | None,
    units: bool,
    outcomes: bool,
    history: bool,
    family: float | None,
    as_json: bool,
    **rule: Any,
) -> None:
    """Show the limits that the known-good units of PART make; nothing is kept until they are approved.

    Example: anglewright known KX4-2207 --units
    """
    from rig.cli.pages import known as page
    from rig.records.book.library import LibraryBook
    from rig.records.store import Store

    store = Store()
    if part is None:
        rows = LibraryBook(store).summaries()
        print_json({"libraries": rows}) if as_json else page.show_libraries(rows)
    elif units:
        found = _library(store).units(part)
        document = {"part": part, "units": [page.unit_data(unit) for unit in found]}
        print_json(document) if as_json else page.show_units(part, found)
    elif outcomes:
        made = _from_outcomes(store, part, rule)
        print_json(page.limits_data(made)) if as_json else page.show_limits(made)
    elif history:
        entries = [page.entry_data(entry) for entry in _library(store).history(part)]
        print_json({"part": part, "entries": entries}) if as_json else page.show_history(part, entries)
    else:
        library = _library(store)
        limits = library.version(part, version) if version else library.propose(part, _rule(rule), family=family)
        print_json(page.limits_data(limits)) if as_json else page.show_limits(limits)


@known_units.command()
@options.what(name="units", required=False)
@click.argument("more", nargs=-1, metavar="[WHAT]...")
@click.option("--lot", default="", help="Instead: every good unit of this lot, in one act.")
@click.option("--how", required=True, help="How it is known: new from the maker, ran in a machine, compared ...")
@options.by
@options.as_json
def add(units: str | None, more: Sequence[str], lot: str, how: str, who: str, as_json: bool) -> None:
    """Take the unit of one or more kept runs in as known good, or with --lot all good units of a lot.

    Example: anglewright known add 4L-00871 --how 'ran in a machine' --by 'operator 2'
    """
    from rig.jobs.kept.which_run import RunKind
    from rig.records.store import Store

    if lot or units is None:
        _add_lot(lot, how, who, as_json=as_json)
        return
    library = _library(Store())
    unit = library.add([pick_run(one, RunKind(certified_first=True)) for one in (units, *more)], how=how, who=who)
    count = len(library.units(unit.part))
    document = {"part": unit.part, "serial": unit.serial, "runs": list(unit.runs), "values": dict(unit.values)}
    if as_json:
        print_json(document | {"units": count})
        return
    click.echo(f"{unit.part} {unit.serial}: {len(unit.values)} lines teach; {count} known-good units")
    click.echo("approved limits stay as they are until the next approval")


def _add_lot(name: str, how: str, who: str, *, as_json: bool) -> None:
    from rig.errors import UsageError
    from rig.records.store import Store
    from rig.review.lots.good_units import add_good_units

    if not name:
        raise UsageError("neither a unit nor a lot is named.", next_action="Give WHAT, or --lot LOT.")
    taken, refused = add_good_units(Store(), name, how=how, who=who)
    if as_json:
        print_json({"lot": name, "taken": taken, "refused": refused})
        return
    click.echo(f"lot {name}: {len(taken)} units taken in: {', '.join(taken) or 'none'}")
    for serial, why in refused.items():
        click.echo(f"not {serial}: {why}", err=True)


@known_units.command()
@click.argument("part")
@click.argument("serial")
@click.option("--why", required=True, help="What was found.")
@options.by
def withdraw(part: str, serial: str, why: str, who: str) -> None:
    """Take unit SERIAL of PART out again; it stays in the history, with the reason.

    Example: anglewright known withdraw KX4-2207 4L-00871 --why 'came back noisy' --by 'operator 2'
    """
    from rig.records.store import Store

    _library(Store()).withdraw(part, serial, why=why, who=who)
    click.echo(f"{part} {serial}: withdrawn ({why})")


@known_units.command()
@click.argument("part")
@click.option("--outcomes", is_flag=True, help="Limits from units that cured what they were fitted to.")
@options.by
@rule_options
@options.as_json
def approve(part: str, outcomes: bool, who: str, family: float | None, as_json: bool, **rule: Any) -> None:
    """Freeze the limits of PART as the next version: later runs are judged by it where the part file has no limit.

    Example: anglewright known approve KX4-2207 --by 'operator 2'
    """
    from rig.cli.pages import known as page
    from rig.records.store import Store

    store = Store()
    proposal = _from_outcomes(store, part, rule) if outcomes else None
    made = _library(store).approve(part, _rule(rule), who=who, family=family, proposal=proposal)
    print_json(page.limits_data(made)) if as_json else page.show_limits(made)


def _from_outcomes(store: Any, part: str, rule: dict[str, Any]) -> Any:
    from rig.review.units.outcomes import limits_from_outcomes

    return limits_from_outcomes(store, part, _rule(rule))


def _library(store: Any) -> Library:
    from rig.review.library.library import Library

    return Library(store)


def _rule(words: dict[str, Any]) -> LearningRule:
    from rig.review.library.learning import LearningRule

    return LearningRule(**words)
