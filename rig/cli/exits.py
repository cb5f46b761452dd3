"""The roof over every command: what goes wrong ends in one plain message and the exit status of its kind.

Our own errors carry their status. A file that can't be read or written is status 2, a stop by hand status 5. Anything
else is a fault of the program, status 6, so that it is never taken for a verdict about the part.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import NoReturn

import click

from rig.errors import PROGRAM_FAULT, Cancelled, RigError, UsageError


@contextmanager
def report_errors() -> Iterator[None]:
    """Turn every exception of the block into a message on standard error and an exit status."""
    try:
        yield
    except RigError as fault:
        _end(str(fault), fault.exit_status)
    except (click.ClickException, click.exceptions.Exit):
        raise
    except (click.Abort, KeyboardInterrupt):
        _end("stopped by hand.", Cancelled.exit_status)
    except Exception as fault:
        if isinstance(fault, BrokenPipeError) or (isinstance(fault, OSError) and fault.filename is not None):
            _end(f"{fault.filename or 'standard output'}: {fault.strerror}.", UsageError.exit_status)
        from rig.jobs.program_fault import message_of

        click.echo(f"anglewright: {message_of(fault)}", err=True)
        raise SystemExit(PROGRAM_FAULT) from fault


def _end(message: str, status: int) -> NoReturn:
    click.echo(f"anglewright: {message}", err=True)
    sys.exit(status)
