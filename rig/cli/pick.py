"""The kept run that a person names, with one line on standard error that says which one was taken."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from rig.jobs.kept.which_run import RunKind
    from rig.records.run.stored import StoredRun


def pick_run(what: str, fit: RunKind | None = None, *, part: str = "") -> StoredRun:
    """The run that WHAT stands for (rig/jobs/kept/which_run.py). Raises UsageError."""
    from rig.jobs.kept.which_run import find_run
    from rig.records.store import Store

    stored = find_run(Store(), what, fit, part=part)
    if what != stored.id:
        header = stored.header
        name = f"{header.part.get('number', '')} {header.serial}".strip()
        click.echo(f"run {stored.id}: {header.sequence} of {name}", err=True)
    return stored
