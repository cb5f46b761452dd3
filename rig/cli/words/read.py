"""`anglewright unit read`: a recording from elsewhere, as text or one JSON document.

It computes nothing (rig/jobs/kept/recordings.py does). Heavy libraries are imported inside the commands.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import click

from rig.cli import options
from rig.cli.completion import complete_name
from rig.cli.group import InOrder, print_json

FILE = click.argument("file", type=click.Path(path_type=Path))
COLUMNS = click.option(
    "--columns",
    default="",
    metavar="ROLE=NAME,...",
    help="Which column is which, where the names don't say: t=Time,exc=CH1,sin=CH2.",
)
COSINE = click.option(
    "--cosine",
    type=click.Path(path_type=Path),
    default=None,
    help="Second capture of a recorder with two channels: excitation and cosine.",
)


@click.group(cls=InOrder)
def read() -> None:
    """Read a recording made elsewhere: phasors, waves or a sweep."""


def _of_a_part(command: Callable[..., None]) -> Callable[..., None]:
    """What a person may know of the part, the recorder and the positioner, and the form of the answer."""
    for option in (
        options.as_json,
        click.option("--frequency", "frequency_hz", type=float, default=None, metavar="HZ", help="Excitation, Hz."),
        click.option("--pole-pairs", type=click.IntRange(1), default=None, help="Pole pairs of the part, if known."),
        click.option(
            "--bench",
            default=None,
            shell_complete=complete_name("bench"),
            help="Bench file: its sampler and axis sections state the recorder and the positioner.",
        ),
        click.option(
            "--part",
            default=None,
            shell_complete=complete_name("part"),
            help="Part file: pole pairs, frequency and, with --bench, the limits.",
        ),
    ):
        command = option(command)
    return command


@read.command()
@FILE
@_of_a_part
@COLUMNS
def phasors(columns: str, **said: Any) -> None:
    """Complex amplitudes at commanded positions (CSV: stepper_deg, exc_re, exc_im, sin_re, ... in peak volts).

    Example: anglewright unit read phasors fixtures/recordings/turn_phasors.csv
    """
    _judge("phasors", columns, **said)


@read.command()
@FILE
@_of_a_part
@COLUMNS
@COSINE
@click.option("--channels", default="exc,sin,cos", show_default=True, help="Roles of a WAV's channels, in its order.")
@click.option("--full-scale-v", type=float, default=None, metavar="V", help="Volts at a WAV's full scale, if known.")
def waves(columns: str, channels: str, **said: Any) -> None:
    """Sampled channels (CSV: t_s, exc_v, sin_v, cos_v; or a WAV), at one position or turned by hand.

    Example: anglewright unit read waves fixtures/recordings/one_position.csv
    """
    _judge("waves", columns, channels=tuple(channels.split(",")), **said)


@read.command()
@FILE
@_of_a_part
@COSINE
def sweep(**said: Any) -> None:
    """Sampled records at positions (HDF5: positions_deg, samples; attributes sample_rate_hz, channels).

    Example: anglewright unit read sweep fixtures/recordings/sweep.h5
    """
    _judge("sweep", "", **said)


def _judge(kind: str, columns: str, *, as_json: bool, **said: Any) -> None:
    """Judge, print and leave with the exit status. A person at a terminal is asked for columns that have no name."""
    from dataclasses import replace

    from rig.jobs.kept.recordings import RecordingRequest, answered_columns, judge_recording
    from rig.records.elsewhere.columns import answers_of

    request = RecordingRequest(kind=kind, columns=answers_of(columns), **said)
    if sys.stdin.isatty() and not as_json:
        request = replace(request, columns=answered_columns(request, _ask))
    found = judge_recording(request)
    if as_json:
        print_json(found.document())
    else:
        from rig.cli.pages.recording import show

        show(found)
    sys.exit(found.exit_status)


def _ask(what: str, columns: Sequence[Any]) -> str:
    """A typed answer: the name of one of the columns."""
    names = [column.name for column in columns]
    answer: str = click.prompt(f"Which column is {what}?", type=click.Choice(names, case_sensitive=False))
    return answer
