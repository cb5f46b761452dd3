"""`anglewright run reclock | recheck | remount`: the axis told from a master, its correction kept for later runs."""

from __future__ import annotations

import sys
from typing import Any

import click

from rig.cli import options
from rig.cli.completion import complete_name
from rig.cli.group import print_json
from rig.cli.pick import pick_run

master = click.option("--part", default="", shell_complete=complete_name("part"), help="Part file: a name or a path.")
master_serial = click.option("--serial", default="", help="Serial number of the master.")


@click.command()
@master
@master_serial
@click.option("--places", type=click.Choice(["3", "4", "5"]), default="3", show_default=True, help="Even places.")
@click.option("--rounds", type=click.IntRange(1, 4), default=1, show_default=True, help="How often each is taken.")
@click.option("--of", "runs", multiple=True, metavar="WHAT", help="Evaluate these kept runs of a set instead.")
@click.option("--check", "check", multiple=True, metavar="WHAT", help="Runs that check it; else the set kept before.")
@click.option("--stator-turned", "stator_anew", is_flag=True, help="Its stator was clamped anew, turned, since then.")
@options.bench
@options.world
@options.speed
@options.operator
@options.as_json
def reclock(
    places: str,
    rounds: int,
    runs: tuple[str, ...],
    check: tuple[str, ...],
    stator_anew: bool,
    as_json: bool,
    **request: Any,
) -> None:
    """Turn a master's rotor on the spindle, its stator clamped: the axis' own orders, once a turn included.

    Exit status 0: kept; 3: the set was refused.

    Example: anglewright run reclock --part KX4-2207 --serial MASTER-1
    """
    from rig.cli.pages import axis as page
    from rig.cli.pages.run import ProgressLine
    from rig.errors import UsageError
    from rig.jobs import run_job as jobs
    from rig.jobs.bench import reclock as reclocking
    from rig.resolver.axis.rotor_places import rotor_places_mech_deg
    from sequences import reclock as one_place

    names = [pick_run(one).id for one in runs]
    if not names:
        if not (request["part"] and request["serial"]):
            raise UsageError("a reclock turns one master.", next_action="Give --part and --serial, or --of with runs.")
        asked = jobs.Request(sequence=one_place.SEQUENCE.name, **request)
        hands = page.ask_for_place(jobs.bench_and_holder(asked)[0].is_simulated)
        marks = rotor_places_mech_deg(int(places), rounds)
        names = reclocking.run_places(asked, marks, hands, ProgressLine(quiet=as_json), stator_anew=stator_anew)
    found = reclocking.evaluate_set(names, [pick_run(one).id for one in check], stator_anew=stator_anew)
    print_json(found.document()) if as_json else click.echo("\n".join(page.reclock_rows(found)))
    sys.exit(0 if found.file else 3)


@click.command()
@master
@master_serial
@click.option("--of", "runs", multiple=True, metavar="WHAT", help="Evaluate these two kept runs instead.")
@click.option("--void", "why", default="", metavar="WHY", help="No run: coupling opened, crash ...; void from now on.")
@options.bench
@options.world
@options.speed
@options.operator
@options.as_json
def recheck(runs: tuple[str, ...], why: str, as_json: bool, **request: Any) -> None:
    """Check the axis once a week: the master's rotor at two places, against the correction that is kept.

    Exit status 0: within the limits; 3: beyond, the correction is left aside.

    Example: anglewright run recheck --part KX4-2207 --serial MASTER-1
    """
    from rig.cli.pages import axis as page
    from rig.cli.pages.run import ProgressLine
    from rig.errors import UsageError
    from rig.jobs import run_job as jobs
    from rig.jobs.bench import reclock as reclocking
    from rig.jobs.bench.description_files import bench_of
    from rig.records.calibrations import calibration_name
    from sequences import reclock as one_place

    if why:
        name = calibration_name(bench_of(request["bench"], request["world"]))
        kept = reclocking.void(name, why, request["operator"])
        print_json({"void": why, "file": str(kept)}) if as_json else click.echo(f"void from now on: {why} ({kept})")
        return
    names = [pick_run(one).id for one in runs]
    if not names:
        if not (request["part"] and request["serial"]):
            raise UsageError("a recheck turns one master.", next_action="Give --part and --serial, or --of with runs.")
        asked = jobs.Request(sequence=one_place.SEQUENCE.name, **request)
        file = jobs.bench_and_holder(asked)[0]
        if reclocking.kept_correction(calibration_name(file)) is None:
            raise UsageError("there is no axis to recheck: none was reclocked here.", next_action="Run `run reclock`.")
        hands = page.ask_for_place(file.is_simulated)
        names = reclocking.run_places(asked, reclocking.recheck_places_mech_deg(), hands, ProgressLine(quiet=as_json))
    found = reclocking.evaluate_recheck(names)
    print_json(found.document()) if as_json else click.echo("\n".join(page.recheck_rows(found)))
    sys.exit(3 if found.found.beyond else 0)


@click.command()
@click.option("--part", default="", shell_complete=complete_name("part"), help="Part file: a name or a path.")
@click.option("--serial", default="", help="Serial number of the part that is clamped anew.")
@click.option("--clampings", type=click.Choice(["2", "3", "5"]), default="3", show_default=True)
@click.option("--of", "runs", multiple=True, metavar="WHAT", help="Evaluate these kept runs of a set instead.")
@click.option("--check", "check", multiple=True, metavar="WHAT", help="Runs of a second part's set, as a check.")
@options.bench
@options.world
@options.speed
@options.operator
@options.as_json
def remount(clampings: str, runs: tuple[str, ...], check: tuple[str, ...], as_json: bool, **request: Any) -> None:
    """Clamp one part at several angles, tell its error from the axis', keep the axis' correction.

    Example: anglewright run remount --part KX4-2207 --serial MASTER-1 --world remount_4
    """
    from rig.cli.pages.run import ProgressLine
    from rig.errors import UsageError
    from rig.jobs import run_job as jobs
    from rig.jobs.bench import remount as remounting
    from sequences import remount as clamping

    names = [pick_run(one).id for one in runs]
    if not names:
        if not (request["part"] and request["serial"]):
            raise UsageError("a remount clamps one part.", next_action="Give --part and --serial, or --of with runs.")
        asked = jobs.Request(sequence=clamping.SEQUENCE.name, **request)
        hands = _clamping_prompt(jobs.bench_and_holder(asked)[0].is_simulated)
        names = remounting.run_clampings(asked, int(clampings), hands, ProgressLine(quiet=as_json))
    found = remounting.evaluate_set(names, [pick_run(one).id for one in check])
    print_json(found.document()) if as_json else click.echo(found.text())


def _clamping_prompt(simulated: bool) -> Any:
    def ask(number: int, of: int, offset_mech_deg: float) -> None:
        place = f"clamping {number} of {of}: the stator turned {offset_mech_deg:.1f} deg (mechanical) from the first"
        click.echo(place + (" (simulated)" if simulated else ""), err=True)
        if not simulated:
            click.confirm("Clamped within 3 deg, spigot seated, guard closed?", abort=True, err=True)

    return ask
