"""The command line: words in, text or one JSON document out; everything it does is done by rig/jobs.

Heavy libraries are imported inside the commands, so that --help answers at once. Standard output carries what was
asked for, standard error the progress. Exit status: README, "Exit status"; the table stands in rig/result.py.
"""

from __future__ import annotations

import os

import click

from rig.cli.group import Word, Words

BENCH, RUN, DESK = "At the bench, before a part", "With a part on the bench", "At the desk"
WORDS = (
    Word(
        "bench",
        BENCH,
        "look at a bench: new, check, can, simulate, truth",
        "anglewright bench check",
        "rig.cli.words.bench:bench",
    ),
    Word(
        "pins",
        BENCH,
        "which coil is on which pin: ask, table, of",
        "anglewright pins table fixtures/recordings/eight_pins.csv",
        "rig.cli.words.pins:pins",
    ),
    Word(
        "run",
        RUN,
        "run a sequence on a clamped part, or demo, watch, seat, witness ...",
        "anglewright run full_test --part KX4-2207 --serial 4L-00871",
        "rig.cli.words.run:run",
    ),
    Word(
        "night",
        RUN,
        "runs for a night under one arming: plan, start, stop",
        "anglewright night plan",
        "rig.cli.words.night:night",
    ),
    Word(
        "lot",
        RUN,
        "a supplier's delivery: open, plan, next, close, study, supplier",
        "anglewright lot",
        "rig.cli.words.lot:lot",
    ),
    Word(
        "unit",
        DESK,
        "what is known of a unit or a run; compare, judge, remark, read",
        "anglewright unit 4L-00871",
        "rig.cli.words.unit:unit",
    ),
    Word(
        "report",
        DESK,
        "reports: issue, withdraw, list, verify, calibration",
        "anglewright report issue 4L-00871",
        "rig.cli.words.report:report",
    ),
    Word(
        "job",
        DESK,
        "the shop's book: open, in, out, show, slip, carry",
        "anglewright job open J-0042 --customer 'Order desk'",
        "rig.cli.words.job:job",
    ),
    Word(
        "known",
        DESK,
        "known-good units and the limits learned from them",
        "anglewright known",
        "rig.cli.words.known:known_units",
    ),
    Word(
        "panel",
        DESK,
        "the bench on a screen; accounts for it, the shop's signing key",
        "anglewright panel account list",
        "rig.cli.words.panel:panel",
    ),
    Word(
        "demo",  # a second name of `run demo`: the first thing that anybody tries
        "",
        "the main job on the simulated bench, from clamping to report",
        "anglewright demo",
        "rig.cli.words.run:demo",
    ),
)


@click.group(cls=Words, words=WORDS, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="anglewright", prog_name="anglewright")
def cli() -> None:
    """Prove a removed variable-reluctance resolver on the bench: from a clamped sensor to a report.

    With no instrument attached everything runs on a simulated bench, over real wires, and is marked SIMULATED.
    Try `anglewright demo` first. WHAT is a run, a serial number, a report number, or latest.
    """


def main() -> None:
    """Entry point of the `anglewright` command. Small matrices gain nothing from threads that wait by spinning."""
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    cli(prog_name="anglewright")
