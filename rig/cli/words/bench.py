"""`anglewright bench`: make a bench file, check a bench, what it can decide, serve a simulated one, print its truth."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from rig.cli import options
from rig.cli.completion import complete_name
from rig.cli.group import InOrder, print_json


@click.group(cls=InOrder)
def bench() -> None:
    """Look at a bench: make its file, check what is connected, what it can decide; nothing is energised."""


@bench.command()
@click.argument("name")
@click.option("--tcp", "hosts", multiple=True, metavar="HOST:PORT", help="An instrument on the network; repeatable.")
@click.option(
    "--link", "links", multiple=True, metavar="URL", help="Any other link, as a bench file has it; repeatable."
)
@click.option("--search/--no-search", default=True, show_default=True, help="Ask serial ports by id, USB and GPIB too.")
@options.answers
@click.option("--yes", "assume", is_flag=True, help="Take every proposal and default without asking.")
@click.option("--write", type=click.Path(path_type=Path), default=None, help="File, instead of NAME in the home.")
@options.as_json
def new(
    name: str,
    hosts: tuple[str, ...],
    links: tuple[str, ...],
    search: bool,
    answers: tuple[str, ...],
    assume: bool,
    write: Path | None,
    as_json: bool,
) -> None:
    """Make the bench file NAME: find what is connected, propose a role for each, ask the rest; nothing is switched.

    Example: anglewright bench new my-bench
    """
    from rig.jobs.bench import set_up
    from rig.jobs.bench.dialogue import Questions

    ask = Questions(answers, assume=assume, say=say, read_line=sys.stdin.readline)
    found = set_up.search([*(f"tcp://{host}" for host in hosts), *links], everywhere=search, say=say, ask=ask)
    made = set_up.make(name, write, found, ask)
    if as_json:
        print_json(made.document())
        return
    click.echo(made.text, nl=False)
    say(f"Written to {made.path}. Next: anglewright bench check {made.path}")


@bench.command()
@click.argument("bench_name", metavar="BENCH", default="simulated", shell_complete=complete_name("bench"))
@options.as_json
def check(bench_name: str, as_json: bool) -> None:
    """Open every instrument of BENCH, identify it, time a round trip; which sequences can run (4: none for a report).

    Example: anglewright bench check
    """
    from rig.cli.pages.run import show_bench
    from rig.jobs.bench.look import check_bench

    report = check_bench(bench_name)
    print_json(report) if as_json else show_bench(report)
    sys.exit(0 if report["complete"] else 4)


@bench.command()
@options.as_json
def families(as_json: bool) -> None:
    """List every family of instruments, and what each driver has met: hardware, a peer of others, our simulator only.

    Example: anglewright bench families
    """
    from rig.cli.pages.run import show_families
    from rig.jobs.bench.look import list_families

    rows = list_families()
    print_json({"schema": "anglewright families 1", "families": rows}) if as_json else show_families(rows)


@bench.command()
@click.argument("roles", nargs=-1, metavar="[ROLE]...")
@click.option("--bench", "bench_name", default="simulated", show_default=True, shell_complete=complete_name("bench"))
@click.option("--folder", type=click.Path(path_type=Path, file_okay=False), default=None, help="Instead of the home's.")
@click.option("--replace-serial", is_flag=True, help="X in place of serial numbers and addresses.")
@options.as_json
def record(roles: tuple[str, ...], bench_name: str, folder: Path | None, replace_serial: bool, as_json: bool) -> None:
    """Write what an instrument and its driver say to each other to a file that can be sent; by default of every ROLE.

    Only harmless words: identification, readings, settings with the output off. Nothing is switched on or turned.

    Example: anglewright bench record multimeter --replace-serial
    """
    from rig.cli.pages.run import show_dialogues
    from rig.jobs.bench.recording import record_dialogues

    kept = record_dialogues(bench_name, roles, folder, without_serial=replace_serial, say=say)
    print_json(
        {"schema": "anglewright recorded 1", "files": [one.to_dict() for one in kept]}
    ) if as_json else show_dialogues(kept)
    sys.exit(4 if any(one.fault for one in kept) else 0)


@bench.command()
@click.argument("file", type=click.Path(path_type=Path))
def replay(file: Path) -> None:
    """Let today's driver say the dialogue in FILE again: every word as recorded, every answer understood; no bench.

    Example: anglewright bench replay --help
    """
    from rig.jobs.bench.recording import replay_dialogue

    dialogue, proves = replay_dialogue(file)
    head = dialogue.head
    click.echo(f"{head.driver}: {head.identity.maker} {head.identity.model}, firmware {head.identity.firmware}")
    click.echo(f"recorded {head.date_utc} from {'an' if head.source == 'instrument' else 'a'} {head.source} bench")
    click.echo(f"{dialogue.exchanges} messages said again; proves {proves}")


@bench.command()
@options.part_file
@options.bench
@options.as_json
def can(part: str, bench: str, as_json: bool) -> None:
    """Can BENCH judge PART's limits? Expected U of every line, what dominates, what a better bench would change.

    Example: anglewright bench can --part KX4-2207
    """
    from rig.cli.pages.capability import capability_page

    page = capability_page(part, bench)
    print_json(page.document()) if as_json else click.echo(page.text())


@bench.command()
@click.argument("world", shell_complete=complete_name("world"))
@options.clamping
@click.option("--speed", default="real", show_default=True, help="real, fast, or a factor.")
@click.option("--write", type=click.Path(path_type=Path), default=None, help="Write a bench file that points to it.")
def simulate(**request: Any) -> None:
    """Serve the simulated instruments of WORLD on local sockets and pseudo-terminals until stopped.

    Example: anglewright bench simulate good_4
    """
    from rig.jobs.bench.look import serve_simulated

    serve_simulated(**request)


@bench.command()
@click.argument("world", shell_complete=complete_name("world"))
@options.clamping
def truth(world: str, clamping: int) -> None:
    """Print what a perfect bench would measure of WORLD's part: as clamped and as centred, outputs open (JSON).

    Example: anglewright bench truth good_4
    """
    from rig.jobs.bench import look

    click.echo(look.truth(world, clamping))


def say(text: str) -> None:
    """A line for the person, on standard error."""
    click.echo(text, err=True)


@bench.command()
@click.argument("device", required=False, metavar="[DEVICE]")
@click.option("--bench", "bench_name", default="simulated", show_default=True, shell_complete=complete_name("bench"))
@click.option("--by", "who", default="", help="Who tried it.")
@click.option("--failed", is_flag=True, help="It did not cut off: the bench can't be armed until it is proven again.")
@click.option("--remark", default="", help="Anything else.")
def safety(device: str | None, bench_name: str, who: str, failed: bool, remark: str) -> None:
    """Monthly proof of the safety chain: say that DEVICE (emergency-stop, enable-timer) was tried by hand; or list.

    Overdue, or failed, it blocks arming. Nothing is tried by this command: a hand at the bench does.

    Example: anglewright bench safety emergency-stop --by 'operator 2'
    """
    from rig.description.benches import load_bench
    from rig.errors import UsageError
    from rig.jobs.kept.laboratory import proof_lines, record_proof
    from rig.records.book.laboratory import SafetyProof
    from rig.records.store import Store

    file = load_bench(bench_name)
    if device is not None:
        if not who.strip():
            raise UsageError("who tried it is not said.", next_action="Give --by.")
        record_proof(Store(), SafetyProof(bench=file.name, device=device, passed=not failed, who=who, remark=remark))
    for words in proof_lines(Store(), file):
        click.echo(words)


@bench.command()
@click.argument("person")
@click.option("--method", required=True, help="The sequence, e.g. full_test.")
@click.option("--until", default="", metavar="YYYY-MM-DD", help="The last day; by default no end.")
@click.option("--withdraw", "withdrawn", is_flag=True, help="No longer.")
@click.option("--remark", default="", help="On what it rests: training, trial.")
@options.by
def authorise(**words: Any) -> None:
    """Say that PERSON may carry out a method; once somebody is named for it, nobody else may (--operator of a run).

    Example: anglewright bench authorise 'operator 2' --method index --by 'bench lead'
    """
    from rig.jobs.kept.laboratory import authorise_person
    from rig.records.book.laboratory import Authorisation
    from rig.records.store import Store

    for line in authorise_person(Store(), Authorisation(**words)):
        click.echo(line)


@bench.command("found")
@click.argument("instrument")
@click.option("--on", required=True, metavar="YYYY-MM-DD", help="The day of the calibration that found it.")
@click.option("--out-of-tolerance", "out", is_flag=True, help="As found it was out of tolerance.")
@click.option("--certificate", default="", help="Number of that calibration's certificate.")
@click.option("--remark", default="", help="By how much, on which range.")
@options.by
def note_found(instrument: str, on: str, out: bool, certificate: str, remark: str, who: str) -> None:
    """How INSTRUMENT (asset number) was found at its calibration; out of tolerance, results since the last are suspect.

    Entries beside the runs say so; no figure, verdict or file changes.

    Example: anglewright bench found SIM-M1 --on 2026-11-30 --out-of-tolerance --by 'bench lead'
    """
    from rig.jobs.kept.laboratory import note_found
    from rig.records.book.laboratory import FoundInstrument
    from rig.records.store import Store

    entry = FoundInstrument(
        instrument=instrument, on=on, in_tolerance=not out, who=who, certificate=certificate, remark=remark
    )
    runs = note_found(Store(), entry)
    for run in runs:
        click.echo(f"suspect  {run}")
    click.echo(f"{len(runs)} runs became suspect")


@bench.command()
@click.argument("line", metavar="STANDARD")
@click.option("--bench", "of", required=True, help="Name of the bench, as in its file.")
@click.option("--serial", required=True, help="Serial number of the standard.")
@click.option("--value", required=True, type=float, help="Its value, in the unit of the bench's line.")
@click.option("--U", "u", required=True, type=float, help="Expanded uncertainty (k = 2), in the same unit.")
@click.option("--certificate", required=True, help="Number of its certificate.")
@click.option("--on", required=True, metavar="YYYY-MM-DD", help="Day of its calibration.")
@click.option("--until", required=True, metavar="YYYY-MM-DD", help="Last day on which it may be used.")
@click.option("--laboratory", default="", help="Which laboratory calibrated it.")
@click.option("--remark", default="", help="Anything else, e.g. at which temperature.")
@options.by
def standard(line: str, of: str, u: float, **words: Any) -> None:
    """Declare a check STANDARD of a bench by its certificate; charts and readiness use the newest one in force.

    STANDARD is the line of the bench's proof that it stands behind: check_resistor (ohm), ratio_sin, ratio_cos ...

    Example: anglewright bench standard --help
    """
    from rig.jobs.night.checks.standards import declare_standard
    from rig.measurands import BENCH, measurand
    from rig.records.book.laboratory import DeclaredStandard
    from rig.records.store import Store

    made = declare_standard(Store(), DeclaredStandard(standard=line, bench=of, U=u, **words))
    unit = measurand(f"{BENCH}{line}").unit
    click.echo(
        f"declared: {line} of bench {of} is {made.value:g} {unit}, U {made.U:g} {unit} (k = 2), by standard "
        f"{made.serial}, certificate {made.certificate}, from {made.on} until {made.until}"
    )


@bench.command()
@click.option("--old", required=True, metavar="RUN", help="A run by the version before.")
@click.option("--new", required=True, metavar="RUN", help="A run by the new version, of the same clamped unit.")
@options.by
def validate(old: str, new: str, who: str) -> None:
    """Compare two versions of a sequence line by line on one unit, and put down that the newer one is validated.

    Example: anglewright bench validate --old 20261125-101500-aaaa --new 20261201-101500-bbbb --by 'bench lead'
    """
    from rig.jobs.kept.laboratory import validate_method
    from rig.records.store import Store

    store = Store()
    made = validate_method(store, store.find(old), store.find(new), who)
    click.echo(
        f"{made.sequence} {made.version} is validated against {made.against}: the largest difference is "
        f"{made.worst:.2f} of its uncertainty ({made.line})"
    )
