"""The retest rule: a run that did not end within its limits may be repeated once after a re-seat; both stay, counted.

No testing until it passes: the second run stands beside the first, whatever it says, and a third is refused. A run that
was cut short measured nothing and may always be begun anew. It opens no file: headers and outcomes are handed in.
"""

from __future__ import annotations

from collections.abc import Iterable

from rig.errors import UsageError
from rig.records.run.record import RunHeader
from rig.records.run.stored import StoredRun

REPEATABLE = ("outside limits", "undecided", "unsound measurement", "not this kind")


def check_retest(header: RunHeader, runs: Iterable[StoredRun]) -> None:
    """Raises UsageError unless header.retest_of names a closed run of the same unit that may be repeated once."""
    first: StoredRun | None = None
    for run in runs:
        if run.id == header.retest_of:
            first = run
        elif first is not None and run.record and run.header.retest_of == first.id and run.outcome != "incomplete":
            raise UsageError(
                f"run {first.id} was retested already as {run.id}.",
                next_action="Both stay: decide on them, or open a new job after the part was worked on.",
            )
    if first is None:
        raise UsageError(
            f"there is no run {header.retest_of!r} to retest.", next_action="Give the whole id of the first run."
        )
    _same_unit(header, first.header, first.id)
    if first.header.retest_of:
        raise UsageError(
            f"run {first.id} is a retest itself.", next_action="One re-seat and one retest: decide on the two runs."
        )
    if first.outcome not in REPEATABLE:
        raise UsageError(
            f"run {first.id} ended {first.outcome!r}: there is nothing to retest.",
            next_action="Begin a run of its own.",
        )


def _same_unit(header: RunHeader, first: RunHeader, run: str) -> None:
    for name in ("serial", "job", "condition", "sequence"):
        if getattr(header, name) != getattr(first, name):
            raise UsageError(
                f"a retest of {run} has to have its {name} ({getattr(first, name)!r}), not {getattr(header, name)!r}.",
                next_action="Correct it, or begin a run of its own.",
            )
    if header.part.get("number") != first.part.get("number"):
        raise UsageError(
            f"a retest of {run} has to be of part {first.part.get('number')}.", next_action="Use its part file."
        )
