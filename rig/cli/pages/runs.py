"""What the terminal shows of the list of kept runs. rich is loaded here, and this file only when something is shown."""

from __future__ import annotations

from typing import Any

from rich.console import Console
from rich.table import Table


def console_of_output() -> Console:
    """Standard output; wide where it goes into a file or a pipe."""
    console = Console(highlight=False)
    return console if console.is_terminal else Console(highlight=False, width=110)


def show_runs(rows: list[dict[str, Any]]) -> None:
    """The list of kept runs, newest first; a run's id begins with its start in UTC."""
    console = console_of_output()
    if not rows:
        console.print("no runs yet")
        return
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    table.add_column("run", no_wrap=True, min_width=20)
    for name in ("part", "serial", "sequence", "outcome"):
        table.add_column(name, overflow="fold")
    for row in rows:
        outcome = ", ".join(filter(None, (row["outcome"], row["awaits"], row["suspect"])))
        outcome += " (simulated)" if row["simulated"] else ""
        table.add_row(*(str(row[name]) for name in ("run", "part", "serial", "sequence")), outcome)
    console.print(table)
