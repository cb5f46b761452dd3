"""The sheet of a method: a sequence's version as its own steps describe it, made by the program, never by hand.

What a report names as its method is this sheet (M-full_test-4). It holds what the program does in that version: steps
in order with their conditions, the definition of every group of lines, traits. It opens no instrument.
"""

from __future__ import annotations

import importlib
import inspect
from collections.abc import Callable
from typing import Any

from rig.certificate.content.particulars import method_sheet_name
from rig.certificate.content.rows import GROUPS
from rig.certificate.dcc.vocabulary import METHODS
from rig.certificate.sheets.sheet import Sheet, Table, Text
from rig.control.sequencer import Step, StepSequence, always
from sequences.registry import find_sequence

FOOT = (
    "Made by the program from the sequence itself. Another version of the sequence has another sheet; a changed "
    "version is validated against the one before it (anglewright bench validate) before it certifies."
)


def method_sheet(name: str) -> Sheet:
    """The sheet of a sequence as this version of the program has it. Raises UsageError for an unknown one."""
    sequence: StepSequence = find_sequence(name)
    traits = sequence.traits
    facts = (
        ("Sequence", f"{sequence.title} ({sequence.name})"),
        ("Version", sequence.version),
        ("Needs", ", ".join(sorted(sequence.needs)) or "no further instrument"),
        ("Report", "is written" if traits.certified else "none"),
        ("Whole turns each way", str(traits.whole_turns or "none")),
        ("Bench minutes", f"{traits.minutes:g}" if traits.minutes else "not stated"),
    )
    steps = tuple(_row(n, step) for n, step in enumerate(sequence.steps, start=1))
    definitions = tuple((title, METHODS[id_]) for id_, title in GROUPS if id_ in METHODS and id_ != "other")
    return Sheet(
        title="Method sheet",
        subject=method_sheet_name(sequence.name, sequence.version),
        facts=facts,
        blocks=(
            Text(title="What it is for", text=_purpose(sequence)),
            Table(
                title="Steps in order",
                head=("", "Step", "What it does", "Only when"),
                rows=steps,
                columns=("", "38", "1fr", "38"),
            ),
            Table(
                title="How the lines are defined",
                head=("Lines", "Definition"),
                rows=definitions,
                columns=("48", "1fr"),
            ),
        ),
        simulated=False,
        statements=(FOOT,),
    )


def _row(n: int, step: Step) -> tuple[str, str, str, str]:
    return str(n), step.title, _first_sentence(step.do), _first_sentence(step.when) if step.when is not always else "–"


def _first_sentence(what: Callable[..., Any]) -> str:
    return " ".join((inspect.getdoc(what) or "").split("\n\n")[0].split())


def _purpose(sequence: StepSequence) -> str:
    module = importlib.import_module(f"sequences.{sequence.name}")
    return " ".join((module.__doc__ or sequence.title).split())
