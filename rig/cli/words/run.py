"""`anglewright run`: a sequence on a clamped part, and what else needs hands at a bench: demo, watch, seat ..."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click
from click.shell_completion import CompletionItem

from rig.cli import options
from rig.cli.completion import complete_sequence
from rig.cli.group import WithDefault, print_json
from rig.cli.pick import pick_run
from rig.cli.words.axis import recheck, reclock, remount


class Runs(WithDefault):
    """Completion offers the sequences beside the commands."""

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[CompletionItem]:
        """Commands and sequences that begin so."""
        return [*super().shell_complete(ctx, incomplete), *map(CompletionItem, complete_sequence(incomplete))]


@click.group(cls=Runs, default="sequence")
def run() -> None:
    """Run SEQUENCE on a clamped unit and judge it: full_test, quick_screen, continuous_sweep, hand_turned ...

    `anglewright run SEQUENCE --help` shows its options. The commands below ask something else of a clamped part.
    """


@run.command("sequence", hidden=True)
@click.argument("sequence")
@options.part_file
@options.serial
@options.on_bench
@options.job
@click.option("--customer", default="", help="Customer, printed as given.")
@options.condition
@click.option("--retest-of", default="", metavar="WHAT", help="The run that this one repeats, once, after a re-seat.")
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
    "--bench-log", type=click.Path(path_type=Path), default=None, help="Log of what happened on the simulated bench."
)
@options.as_json
def sequence(as_json: bool, **request: Any) -> None:
    """Run SEQUENCE on a clamped unit and judge it.

    Example: anglewright run quick_screen --part KX4-2207 --serial 4L-00871
    """
    from rig.cli.pages.live import run_shown
    from rig.cli.pages.run import show_finished
    from rig.jobs import run_job as jobs

    if request["retest_of"]:
        request["retest_of"] = pick_run(request["retest_of"]).id
    finished = run_shown(jobs.Request(**request), quiet=as_json)
    print_json(finished.document()) if as_json else show_finished(finished)
    sys.exit(finished.judgement.exit_status)


@run.command()
@click.argument("case", required=False)
@click.option("--all", "every", is_flag=True, help="Run the whole scenario, one unit after the other.")
@click.option("--tier", type=click.Choice(["a", "b", "c"]), default=None, help="On the bench of a shop's tier instead.")
@options.as_json
def demo(case: str | None, every: bool, tier: str | None, as_json: bool) -> None:
    """Run the main job on the simulated bench: a good unit (default) or CASE of the invented shop's scenario.

    --tier a: meter, generator, two-channel oscilloscope, hands. b: four channels of eight bits, a small stepper, hands
    for leads and plugs. c: mainframe, simultaneous sampler, encoder. Each has the cases good and shorted.

    Example: anglewright demo shorted
    """
    from rig.cli.pages.live import run_shown
    from rig.cli.pages.run import show_finished, show_scene
    from rig.jobs import demo as scenario

    status = 0
    documents = []
    for unit in scenario.choose_units(case, every, tier or ""):
        if not as_json:
            show_scene(unit)
        finished = run_shown(unit.request(), quiet=as_json)
        documents.append(finished.document())
        if not as_json:
            show_finished(finished)
        status = finished.judgement.exit_status
    if as_json:
        print_json(documents[0] if len(documents) == 1 else {"runs": documents})
    sys.exit(0 if every else status)


@run.command()
@click.argument("coil", type=click.Choice(["all", "exc", "sin", "cos"]), default="all")
@options.part_file
@click.option("--serial", default="watch", show_default=True, help="Serial number of the unit.")
@click.option("--ac", is_flag=True, help="Amplitude under excitation instead of resistance.")
@click.option("--seconds", type=click.FloatRange(0.1, 600.0), default=600.0, show_default=True, help="At most.")
@options.bench
@options.world
@click.option("--speed", default="real", show_default=True, help="Clock of the simulated bench.")
@options.job
@options.operator
@click.option("--quiet", is_flag=True, help="No sound.")
@options.as_json
def watch(coil: str, ac: bool, seconds: float, quiet: bool, as_json: bool, **request: Any) -> None:
    """Watch COIL, or all coils in turn, while you bend, tap, warm or cool it: a sound at each drop-out. Ctrl-C ends it.

    Ohms are read with nothing energised: the guard may be opened, and no arming is needed. With --ac the guard stays
    closed; the harness leaves it through a strain relief. Enter marks the moment.

    Example: anglewright run watch sin --part KX4-2207 --seconds 2 --speed fast
    """
    from rig.cli.pages import watch as page
    from rig.cli.pages.live import watch_shown
    from rig.jobs.run_job import Request
    from sequences.watch import SEQUENCE

    shown = page.WatchDisplay(coil, quiet=quiet, silent=as_json)
    asked = Request(sequence=SEQUENCE.name, **request)
    finished = watch_shown(asked, {"coil": coil, "ac": ac, "seconds": seconds}, shown)
    print_json(page.document(finished)) if as_json else click.echo("\n".join(page.rows(finished)))


@run.command()
@options.part_file
@click.option("--serial", default="seat", show_default=True, help="Serial number of the clamped unit.")
@options.on_bench
@click.option("--gap-mm", type=float, default=None, help="Mean radial gap, if it was measured; else 0.6 +- 0.2.")
@click.option("--after", default="", metavar="WHAT", help="An earlier look: say what the seat explains, what the part.")
@click.option("--moved", default="", metavar="MM@DEG", help="How the stator was moved since --after, deg mech.")
@click.option("--axial", default="", metavar="MM,MM,MM", help="Instead: places along the shaft, own scale, three up.")
@click.option("--guided", is_flag=True, help="Look, move, look again, until nothing is left to centre.")
@options.as_json
def seat(gap_mm: float | None, after: str, moved: str, axial: str, guided: bool, as_json: bool, **request: Any) -> None:
    """Read from the signal how the clamped part sits: how far to move the stator, which way, or that it is not seen.

    Example: anglewright run seat --part KX4-2207 --world good_4
    """
    from rig.cli.pages import seat as page
    from rig.cli.pages.run import ProgressLine
    from rig.errors import UsageError
    from rig.jobs import run_job as jobs
    from rig.jobs.question import seat as looks
    from sequences.seat import RADIAL

    if guided and (as_json or axial):
        raise UsageError(
            "--guided asks between its looks.", next_action="Leave --json and --axial out, or look once, without it."
        )
    asked = jobs.Request(sequence=RADIAL.name, **request)
    progress = ProgressLine(quiet=as_json)
    if axial:
        simulated = jobs.bench_and_holder(asked)[0].is_simulated
        slide = looks.slide(asked, page.places(axial), page.ask_for_place(simulated), progress)
        print_json(slide.document()) if as_json else click.echo("\n".join(page.slide_rows(slide)))
        return
    after = pick_run(after).id if after else ""
    look = looks.look(asked, gap_mm=gap_mm, after=after, moved=moved, on_progress=progress)
    print_json(look.document()) if as_json else click.echo("\n".join(page.look_rows(look)))
    while guided and (vector := page.ask_for_move(look)):
        look = looks.look(asked, gap_mm=gap_mm, after=look.run.id, moved=vector, on_progress=progress)
        click.echo("\n".join(page.look_rows(look)))


@run.command()
@options.what(required=False)
@click.option("--suspect", "codes", multiple=True, help="Only this reason, finding or line. May be repeated.")
@click.option(
    "--take",
    type=click.Choice(["plug", "open", "dummy", "swap", "reseat"]),
    default=None,
    help="Take this witness now.",
)
@options.operator
@options.speed
@options.as_json
def witness(
    what: str | None, codes: tuple[str, ...], take: str | None, operator: str, speed: str, as_json: bool
) -> None:
    """Rig or part? Which witness on the same adapter settles what is suspected in WHAT; --take one and read it.

    Example: anglewright run witness latest
    """
    from rig.cli.pages import witness as page
    from rig.cli.pages.run import ProgressLine
    from rig.jobs.question import witness as witnesses

    found = witnesses.plan(pick_run(what or "latest").id, codes)
    if take is not None:
        if take in found.kinds:
            page.ask_for_hands(found, take)
        witnesses.take(found, take, speed=speed, operator=operator, on_progress=ProgressLine(quiet=as_json))
    answers = witnesses.answers(found.run)
    if as_json:
        print_json(page.document(found, answers))
        return
    click.echo("\n".join([*(page.plan_rows(found) if take is None else []), *page.answer_rows(answers)]))


@run.command()
@click.option("--part", required=True, help="Part file that names frequency and level; no part is needed on the bench.")
@options.bench
@options.world
@click.option("--known", default="", metavar="SERIAL", help="A known part, clamped now: its test is part of it.")
@options.operator
@options.speed
@options.as_json
def prove(as_json: bool, known: str, **request: Any) -> None:
    """Prove the bench: leads, check resistor, channels, ratio, level, axis; kept as its health record.

    Exit status 0: all lines within; 1: one fell short; 3: one can't be decided.

    Example: anglewright run prove --part KX4-2207
    """
    from rig.cli.pages.run import ProgressLine
    from rig.jobs import run_job as jobs
    from rig.jobs.bench import health as proving
    from rig.records.calibrations import calibration_name
    from sequences import full_test
    from sequences import prove as proof

    of = ""
    if known:
        tested = jobs.Request(sequence=full_test.SEQUENCE.name, serial=known, condition="known part", **request)
        of = jobs.run_job(tested, ProgressLine(quiet=as_json)).stored.id
    asked = jobs.Request(sequence=proof.SEQUENCE.name, serial="bench", known=of, **request)
    finished = jobs.run_job(asked, ProgressLine(quiet=as_json))
    name = calibration_name(jobs.bench_and_holder(asked)[0])
    health = next(one for one in proving.history(name) if one["run"] == finished.stored.id)
    print_json(health) if as_json else click.echo(proving.page(health))
    sys.exit(1 if health["fell_short"] else 3 if health["not_capable"] else 0)


for command in (reclock, recheck, remount):
    run.add_command(command)


@run.command()
@click.argument("name")
@options.bench
@options.world
@click.option("--part", default=None, help="Part file whose connector the adapter fits: names the pins to teach.")
@click.option("--pins", default="", metavar="PIN,PIN", help="Pins to teach, besides the part file's or instead.")
@options.answers
@click.option("--write", type=click.Path(path_type=Path), default=None, help="File, instead of NAME in the home.")
@options.speed
@options.as_json
def teach(
    name: str,
    bench: str,
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

    Example: anglewright run teach my-adapter --part KX4-2207
    """
    from rig.cli.words.bench import say
    from rig.jobs.bench.description_files import bench_of
    from rig.jobs.bench.dialogue import Questions
    from rig.jobs.bench.holder import Teaching, make, pins_of

    file = bench_of(bench, world)
    named = pins_of(part, [pin.strip() for pin in pins.split(",") if pin.strip()], file)
    ask = Questions(answers, assume=False, say=say, read_line=sys.stdin.readline)
    made = make(name, write, Teaching(bench=file, pins=named, speed=speed, ask=ask, say=say))
    if as_json:
        print_json(made.document())
        return
    click.echo(made.text, nl=False)
    say(f'Written to {made.path}. Next: holder = "{name}" in the bench file.')
