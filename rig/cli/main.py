"""The command line: words in, text or one JSON document out; everything it does is done by jobs.py.

Heavy libraries are imported inside the commands, so that --help answers at once. Standard output carries what was
asked for, standard error the progress. Exit status: `EXIT_MEANINGS` in rig/result.py; roof.py turns errors into it.
"""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path
from typing import Any

import click

from rig.cli.commands import bench as bench_commands
from rig.cli.commands import compare as compare_command
from rig.cli.commands import holder as holder_command
from rig.cli.commands import known as library_commands
from rig.cli.commands import night as queue_command
from rig.cli.commands import pins as pairs_command
from rig.cli.commands import read as analyse
from rig.cli.commands import records as records_commands
from rig.cli.commands import report as report_commands
from rig.cli.commands import seat as seat_command
from rig.cli.commands import sheets as sheet_commands
from rig.cli.commands import watch as watch_command
from rig.cli.commands import witness as witness_command
from rig.cli.roof import under_roof

as_json = click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="anglewright", prog_name="anglewright")
def cli() -> None:
    """Prove a removed variable-reluctance resolver on the bench: from a clamped sensor to a certificate.

    With no instrument attached everything runs on a simulated bench, over real wires, and is marked SIMULATED.
    Try `anglewright demo` first.
    """


@cli.command()
@click.argument("sequence")
@click.option("--part", required=True, help="Part file: a name or a path.")
@click.option("--serial", required=True, help="Serial number of the unit, as stamped or labelled.")
@click.option(
    "--bench", default="simulated", show_default=True, help="Bench file (or a world file: a simulated bench)."
)
@click.option("--world", default=None, help="World of the simulated bench, instead of the bench file's own.")
@click.option("--clamping", default=1, show_default=True, help="Which clamping of the world (simulated bench only).")
@click.option("--holder", default=None, help="Holder file, instead of the bench file's own.")
@click.option("--job", default="", help="Job number.")
@click.option("--customer", default="", help="Customer, printed as given.")
@click.option("--operator", default="", help="Who does the work.")
@click.option("--condition", default="", help="As received, after cleaning, after soak ...; conditions are compared.")
@click.option("--retest-of", default="", metavar="RUN", help="The run that this one repeats, once, after a re-seat.")
@click.option(
    "--rotor",
    type=click.Choice(["own", "shop master", "none"]),
    default="own",
    show_default=True,
    help="Whose rotor is fitted; without one only the stator is tested.",
)
@click.option(
    "--entry",
    "entries",
    multiple=True,
    metavar="NAME=VALUE[ UNIT][;INSTRUMENT]",
    help="A manual entry, e.g. 'insulation exc to core=>550 Mohm;IT-3' or 'visual=no rub marks'. May be repeated.",
)
@click.option(
    "--speed", default="fast", show_default=True, help="Clock of the simulated bench: real, fast, or a factor."
)
@click.option(
    "--bench-log", type=click.Path(path_type=Path), default=None, help="Log of what happened on the simulated bench."
)
@as_json
@under_roof
def run(as_json: bool, **request: Any) -> None:
    """Run SEQUENCE on a clamped unit and judge it.

    SEQUENCE is full_test, quick_screen, continuous_sweep, hand_turned, pins, check_standard, prove or index.
    """
    from rig.cli.pages import run as screen
    from rig.jobs import run_job as jobs

    finished = jobs.run_job(jobs.Request(**request), screen.Progress(quiet=as_json))
    if as_json:
        click.echo(json.dumps(finished.document(), ensure_ascii=False, allow_nan=False))
    else:
        screen.show_finished(finished)
    sys.exit(finished.judgement.exit_status)


@cli.command()
@click.argument("case", required=False)
@click.option("--all", "every", is_flag=True, help="Run the whole scenario, one unit after the other.")
@as_json
@under_roof
def demo(case: str | None, every: bool, as_json: bool) -> None:
    """Run the main job on the simulated bench: a good unit (default) or CASE of the invented shop's scenario."""
    from rig.cli.pages import run as screen
    from rig.jobs import demo as scenario
    from rig.jobs import run_job as jobs

    status = 0
    documents = []
    for unit in scenario.chosen(case, every):
        if not as_json:
            screen.show_scene(unit)
        finished = jobs.run_job(unit.request(), screen.Progress(quiet=as_json))
        documents.append(finished.document())
        if not as_json:
            screen.show_finished(finished)
        status = finished.judgement.exit_status
    if as_json:
        click.echo(
            json.dumps(
                documents[0] if len(documents) == 1 else {"runs": documents}, ensure_ascii=False, allow_nan=False
            )
        )
    sys.exit(0 if every else status)


@cli.command()
@click.argument("run_id", required=False)
@click.option("--serial", default=None, help="Only runs of this serial.")
@click.option("--part", default=None, help="Only runs of this part number.")
@as_json
@under_roof
def runs(run_id: str | None, serial: str | None, part: str | None, as_json: bool) -> None:
    """List the kept runs, or show one of them (RUN_ID) with every line."""
    from rig.cli.pages import run as screen
    from rig.jobs import run_job as jobs

    if run_id is not None:
        finished = jobs.kept_run(run_id)
        document = json.dumps(finished.document(), ensure_ascii=False, allow_nan=False)
        click.echo(document) if as_json else screen.show_finished(finished, every_line=True)
        return
    rows = jobs.kept_runs(serial=serial, part=part)
    click.echo(json.dumps({"runs": rows}, ensure_ascii=False)) if as_json else screen.show_runs(rows)


@cli.group("analyse")
def analyse_group() -> None:
    """Analyse a recording made elsewhere: phasors, waves or a sweep."""


analyse.register(analyse_group, under_roof)
pairs_command.register(cli, under_roof)


@cli.group()
def bench() -> None:
    """Look at a bench: check what is connected, serve a simulated one, print its truth."""


@bench.command()
@click.argument("bench_name", metavar="BENCH", default="simulated")
@as_json
@under_roof
def check(bench_name: str, as_json: bool) -> None:
    """Open every instrument of BENCH, identify it, time a round trip; nothing is energised."""
    from rig.cli.pages import run as screen
    from rig.jobs.bench import look as benches

    report = benches.check_bench(bench_name)
    click.echo(json.dumps(report)) if as_json else screen.show_bench(report)
    sys.exit(0 if report["complete"] else 4)


@bench.command()
@click.argument("world")
@click.option("--clamping", default=1, show_default=True, help="Which clamping of the world.")
@click.option("--speed", default="real", show_default=True, help="real, fast, or a factor.")
@click.option("--write", type=click.Path(path_type=Path), default=None, help="Write a bench file that points to it.")
@under_roof
def simulate(world: str, clamping: int, speed: str, write: Path | None) -> None:
    """Serve the simulated instruments of WORLD on local sockets and pseudo-terminals until stopped."""
    from rig.jobs.bench import look as benches

    benches.serve_simulated(world, clamping, speed, write)


@bench.command()
@click.argument("world")
@click.option("--clamping", default=1, show_default=True, help="Which clamping of the world.")
@under_roof
def truth(world: str, clamping: int) -> None:
    """Print what a perfect bench would measure of WORLD's part: as clamped and as centred, outputs open (JSON)."""
    from rig.jobs.bench import look as benches

    click.echo(benches.truth(world, clamping))


bench_commands.register(bench, under_roof)
report_commands.register(cli, under_roof)
sheet_commands.register(cli, under_roof)
records_commands.register(cli, under_roof)
library_commands.register(cli, under_roof)
compare_command.register(cli, under_roof)
witness_command.register(cli, under_roof)
holder_command.register(cli, under_roof)
seat_command.register(cli, under_roof)
watch_command.register(cli, under_roof)
queue_command.register(cli, under_roof)


def main() -> None:
    """Entry point of the `anglewright` command. Small matrices gain nothing from threads that wait by spinning."""
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    cli(prog_name="anglewright")
