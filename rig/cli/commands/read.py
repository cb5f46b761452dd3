"""`anglewright analyse pairs|phasors|waves|sweep FILE`: a recording from elsewhere, as text or one JSON document.

It computes nothing (rig/review and rig/jobs/pins do). Exit status as a run's: 0 measured, 3 unsound,
undecided or not this kind, 2 a file that can't be read. Heavy libraries are imported inside the commands.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from rig.result import Judged
    from rig.review.analysis import Analysis, Told

FILE = click.argument("file", type=click.Path(path_type=Path))


def options(command: Callable[..., None]) -> Callable[..., None]:
    """The options that all kinds share."""
    for option in (
        click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output."),
        click.option("--frequency", "frequency_hz", type=float, default=None, metavar="HZ", help="Excitation, Hz."),
        click.option("--pole-pairs", type=click.IntRange(1), default=None, help="Pole pairs of the part, if known."),
        click.option("--part", default=None, help="Part file: pole pairs and frequency are taken from it."),
    ):
        command = option(command)
    return command


def told(part: str | None, pole_pairs: int | None, frequency_hz: float | None) -> Told:
    """What the person said of the part. Raises UsageError or DescriptionError for a part that can't be read."""
    from rig.description.parts import load_part
    from rig.errors import UsageError
    from rig.review.analysis import Told

    if frequency_hz is not None and not frequency_hz > 0:
        raise UsageError(f"--frequency {frequency_hz:g}: must be above 0 Hz.", next_action="Give it in hertz.")
    return Told.of(None if part is None else load_part(part).part(), pole_pairs, frequency_hz)


def pairs(file: Path, part: str | None, lead_ohm: float | None, draft: Path | None, as_json: bool) -> None:
    """Resistance between every two pins (CSV: pin_a, pin_b, ohm; OL for over range): which coil is where."""
    from rig.cli.commands.pins import finish as finish_pins
    from rig.jobs.pins.table import analyse_pairs

    finish_pins(analyse_pairs(file, part=part, lead_ohm=lead_ohm, draft_to=draft), as_json)


def phasors(file: Path, part: str | None, pole_pairs: int | None, frequency_hz: float | None, as_json: bool) -> None:
    """Complex amplitudes at commanded positions (CSV: stepper_deg, exc_re, exc_im, sin_re, ... in peak volts)."""
    from rig.records.capture_files_csv import read_phasors
    from rig.review.analyse_turn import analyse_phasors

    finish(analyse_phasors(read_phasors(file), told(part, pole_pairs, frequency_hz)), as_json)


def waves(
    file: Path,
    part: str | None,
    pole_pairs: int | None,
    frequency_hz: float | None,
    as_json: bool,
    channels: str,
    full_scale_v: float | None,
) -> None:
    """Sampled channels (CSV: t_s, exc_v, sin_v, cos_v; or a WAV), at one position or turned by hand."""
    from rig.records.capture_files_csv import read_waves
    from rig.review.analyse_waves import analyse_waves

    table = read_waves(file, channels.split(","), full_scale_v)
    finish(analyse_waves(table, told(part, pole_pairs, frequency_hz)), as_json)


def sweep(file: Path, part: str | None, pole_pairs: int | None, frequency_hz: float | None, as_json: bool) -> None:
    """Sampled records at positions (HDF5: positions_deg, samples; attributes sample_rate_hz, channels)."""
    from rig.records.capture_files_sweep import read_sweep
    from rig.review.analyse_turn import analyse_sweep

    finish(analyse_sweep(read_sweep(file), told(part, pole_pairs, frequency_hz)), as_json)


def register(group: click.Group, guarded: Callable[[Callable[..., None]], Callable[..., None]]) -> None:
    """Add the commands to a group. guarded: turns our own errors into a message and an exit status."""
    measured = guarded(pairs)
    for option in (
        click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output."),
        click.option("--draft", type=click.Path(path_type=Path), default=None, help="Write a draft part file there."),
        click.option("--lead-ohm", type=float, default=None, metavar="OHM", help="Lead resistance in each reading."),
        click.option("--part", default=None, help="Part file whose pin map is compared."),
    ):
        measured = option(measured)
    group.command("pairs")(FILE(measured))
    group.command("phasors")(FILE(options(guarded(phasors))))
    recorded = click.option(
        "--channels", default="exc,sin,cos", show_default=True, help="Roles of a WAV's channels, in its order."
    )
    full = click.option(
        "--full-scale-v", type=float, default=None, metavar="V", help="Volts at a WAV's full scale, if known."
    )
    group.command("waves")(FILE(recorded(full(options(guarded(waves))))))
    group.command("sweep")(FILE(options(guarded(sweep))))


def finish(analysis: Analysis, as_json: bool) -> None:
    """Print and leave with the exit status."""
    if as_json:
        click.echo(json.dumps(analysis.document(), ensure_ascii=False, allow_nan=False))
    else:
        show(analysis)
    sys.exit(analysis.exit_status)


def show(analysis: Analysis) -> None:
    """Outcome, reasons, what explains the error, every line, and what could not be known."""
    from rich.console import Console
    from rich.padding import Padding
    from rich.text import Text

    console = Console(highlight=False)
    console.print(Text.assemble((analysis.outcome.upper(), "bold"), f"   {analysis.kind} from {analysis.source}"))
    for reason in analysis.reasons:
        told_so = f"{reason.code}: {reason.text}\nwhy   {reason.evidence}\nnext  {reason.next}"
        console.print(Padding(Text(told_so), (0, 0, 0, 2)))
    for finding in analysis.findings:
        told_so = (
            f"hint: {finding.code} ({100 * finding.probability:.0f} %)  {finding.text}\nfor      {finding.evidence}"
        )
        told_so += f"\nagainst  {finding.against}\nnext     {finding.next_test}"
        console.print(Padding(Text(told_so), (0, 0, 0, 2)))
    for cause in analysis.causes:
        told_so = f"order {cause.order_mech} a turn: {cause.text}; error {cause.error_elec_arcmin:.1f}' electrical"
        console.print(Padding(Text(told_so), (0, 0, 0, 2)))
    console.print(_lines(analysis))
    for note in analysis.notes:
        console.print(Padding(Text(note), (0, 0, 0, 2)))
    console.print("not known:")
    for line in analysis.unknown:
        console.print(Padding(Text(f"- {line}"), (0, 0, 0, 2)))


def _lines(analysis: Analysis) -> Any:
    from rich.table import Table

    from rig.certificate.words.wording import display
    from rig.uncertainty.conformity import Verdict

    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim", show_edge=False)
    table.add_column("")
    for name in ("estimate", "± U (scatter only)"):
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column("", no_wrap=True)
    table.add_column("", no_wrap=True)
    for row in analysis.judged:
        shown = display(row)
        verdict = "" if row.verdict is Verdict.NO_LIMIT else row.verdict.value
        table.add_row(shown.name, shown.estimate, shown.U, shown.unit or _unit(row), verdict)
    return table


def _unit(row: Judged) -> str:
    """The unit of a line that is not among the measurands."""
    return row.result.unit if row.result is not None and row.result.unit not in ("ratio", "1") else ""
