"""A fault of the program: its traceback is written into a file of the home, for whoever maintains the program."""

from __future__ import annotations

import os
import platform
import sys
import traceback
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path

from rig.description.places import default_home

FOLDER = "faults"


def message_of(fault: BaseException) -> str:
    """What happened, what became of the run, and which file to send; the traceback is in that file.

    Where the file can't be written the text itself is in the message.
    """
    text = report_of(fault)
    try:
        send = f"Send this file to whoever maintains the program: {_write(text)}"
    except OSError as refused:
        send = f"Send the text below to whoever maintains the program (no file: {refused}).\n{text}"
    rows = [
        f"a fault of the program, not of the part and not of the bench: {type(fault).__name__}: {fault}",
        *getattr(fault, "__notes__", ()),
        f"No verdict comes from this command. {send}",
    ]
    return "\n".join(rows)


def report_of(fault: BaseException) -> str:
    """What a maintainer needs: when, which command, which versions, where it failed."""
    return "\n".join(
        [
            f"time      {datetime.now(UTC).isoformat(timespec='seconds')}",
            f"command   {' '.join(sys.argv)}",
            f"software  anglewright {version('anglewright')}, Python {platform.python_version()}",
            f"system    {platform.platform()}",
            "",
            "".join(traceback.format_exception(fault)),
        ]
    )


def _write(text: str) -> Path:
    """The file of a fault, new in the home's folder of faults. Raises OSError."""
    folder = default_home() / FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{datetime.now(UTC):%Y%m%dT%H%M%S.%f}Z-{os.getpid()}.txt"
    with path.open("x", encoding="utf-8") as file:
        file.write(text)
    return path
