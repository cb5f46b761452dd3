"""`anglewright unit read`: a recording from elsewhere, as text or one JSON document."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.cli import options
from rig.cli.completion import complete_name
from rig.cli.group import InOrder, print_json

if TYPE_CHECKING:
    from rig.result import Judged
    from rig.review.analysis import Analysis, Told

FILE = click.argument("file", type=click.Path(path_type=Path))


@click.group(cls=InOrder)
def read() -> None:
    """Read a recording made elsewhere: phasors, waves or a sweep."""


def _of_a_part(command: Callable[..., None]) -> Callable[..., None]:
    """What a person may know of the part, and the form of the answer."""
    for option in (
        options.as_json,
        click.option("--frequency", "frequency_hz", type=float, default=None, metavar="HZ", help="Excitation, Hz."),
        click.option("--pole-pairs", type=click.IntRange(1), default=None, help="Pole pairs of the part, if known."),
        click.option(
            "--part",
            default=None,
            shell_complete=complete_name("part"),
            help="Part file: pole pairs and frequency are taken from it.",
        ),
    ):
        command = option(command)
    return command


@read.command()
@FILE
@_of_a_part
def phasors(file: Path, part: str | None, pole_pairs: int | None, frequency_hz: float | None, as_json: bool) -> None:
    """Complex amplitudes at commanded positions (CSV: stepper_deg, exc_re, exc_im, sin_re, ... in peak volts).

    Example: anglewright unit read phasors fixtures/recordings/turn_phasors.csv
    """
    from rig.records.capture_files_csv import read_phasors
    from rig.review.analyse_turn import analyse_phasors

    finish(analyse_phasors(read_phasors(file), told(part, pole_pairs, frequency_hz)), as_json)


@read.command()
@FILE
@_of_a_part
@click.option("--channels", default="exc,sin,cos", show_default=True, help="Roles of a WAV's channels, in its order.")
@click.option("--full-scale-v", type=float, default=None, metavar="V", help="Volts at a WAV's full scale, if known.")
def waves(
    file: Path,
    part: str | None,
    pole_pairs: int | None,
    frequency_hz: float | None,
    as_json: bool,
    channels: str,
    full_scale_v: float | None,
) -> None:
    """Sampled channels (CSV: t_s, exc_v, sin_v, cos_v; or a WAV), at one position or turned by hand.

    Example: anglewright unit read waves fixtures/recordings/one_position.csv
    """
    from rig.records.capture_files_csv import read_waves
    from rig.review.analyse_waves import analyse_waves

    table = read_waves(file, channels.split(","), full_scale_v)
    finish(analyse_waves(table, told(part, pole_pairs, frequency_hz)), as_json)


@read.command()
@FILE
@_of_a_part
def sweep(file: Path, part: str | None, pole_pairs: int | None, frequency_hz: float | None, as_json: bool) -> None:
    """Sampled records at positions (HDF5: positions_deg, samples; attributes sample_rate_hz, channels).

    Example: anglewright unit read sweep fixtures/recordings/sweep.h5
    """
    from rig.records.capture_files_sweep import read_sweep
    from rig.review.analyse_turn import analyse_sweep

    finish(analyse_sweep(read_sweep(file), told(part, pole_pairs, frequency_hz)), as_json)


def told(part: str | None, pole_pairs: int | None, frequency_hz: float | None) -> Told:
    """What the person said of the part. Raises UsageError or DescriptionError for a part that can't be read."""
    from rig.description.parts import load_part
    from rig.errors import UsageError
    from rig.review.analysis import Told

    if frequency_hz is not None and not frequency_hz > 0:
        raise UsageError(f"--frequency {frequency_hz:g}: must be above 0 Hz.", next_action="Give it in hertz.")
    return Told.of(None if part is None else load_part(part).part(), pole_pairs, frequency_hz)


def finish(analysis: Analysis, as_json: bool) -> None:
    """Print and leave with the exit status."""
    if as_json:
        print_json(analysis.document())
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
