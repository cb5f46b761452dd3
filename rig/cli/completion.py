"""What the shell offers after a tab: names of description files, sequences, serial numbers and runs of the home."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import click

from rig.errors import RigError

MOST = 200
Completer = Callable[[click.Context, click.Parameter, str], list[str]]


def complete_name(kind: str) -> Completer:
    """Names of the part, bench, holder or world files of the home and of the package."""

    def complete(_context: click.Context, _parameter: click.Parameter, start: str) -> list[str]:
        from rig.description.places import known_names

        return [name for name in known_names(kind) if name.startswith(start)]

    return complete


def complete_serial(_context: click.Context, _parameter: click.Parameter, start: str) -> list[str]:
    """Serial numbers of the kept runs, newest first."""
    return _starting([row[1] for row in _newest()], start)


def complete_run(_context: click.Context, _parameter: click.Parameter, start: str) -> list[str]:
    """Serial numbers and ids of the kept runs, newest first, and "latest"."""
    rows = _newest()
    return _starting([*(row[1] for row in rows), *(row[0] for row in rows), "latest"], start)


def complete_sequence(start: str) -> list[str]:
    """Names of the sequences."""
    from sequences.own import own_names
    from sequences.registry import NEXT, SEQUENCES

    return _starting([*SEQUENCES, *NEXT, *own_names()], start)


def _starting(names: Sequence[str], start: str) -> list[str]:
    return [name for name in dict.fromkeys(names) if name and name.startswith(start)]


def _newest() -> list[tuple[str, str]]:
    from rig.records.store import Store

    try:
        return [(row.run, row.serial) for row in Store().list()[:MOST]]
    except RigError:  # a home that can't be read offers nothing; the command itself says why
        return []
