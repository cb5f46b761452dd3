"""The terminal's side of a sitting: the next label in large letters, scans and keys, a sound at the end and at trouble.

It computes nothing and decides nothing. Scans given beforehand (--scan) are taken first, as if they had been scanned.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence

import click

from rig.cli.following import follow
from rig.cli.pages.live import Shown
from rig.cli.pages.watch import big
from rig.description.lots import LotFile
from rig.jobs.controller.ask import of_request
from rig.jobs.kept.kept_run import Finished, kept_run
from rig.jobs.lot.desk import NextUnit
from rig.jobs.operator.scanner import Entry, read_entry, read_line
from rig.jobs.run_job import Request

CLEAR = "\x1b[2J\x1b[H"
TESTS = {"whole": "whole test", "screen": "quick screen"}
END_SOUND, TROUBLE_SOUND = "\a", "\a\a"


class Terminal:
    """A desk at the terminal. quiet: nothing is shown but what has to be answered."""

    def __init__(self, file: LotFile, *, scans: Sequence[str] = (), quiet: bool = False) -> None:
        self._file, self._scans, self._quiet = file, list(scans), quiet
        self._live = sys.stderr.isatty() and not quiet

    def show(self, unit: NextUnit) -> None:
        """The label largest, below it the serial number, what to do, what became of the last."""
        if self._quiet:
            return
        where = f"   box {unit.box}" if unit.box else ""
        listed = unit.listed or f"place {unit.position} of the delivery"
        rows = [CLEAR if self._live else "", *big(unit.label), "", f"{listed}{where}"]
        rows.append(f"{unit.place[0]} of {unit.place[1]}   {TESTS[unit.test]}   lot {unit.lot}")
        rows += ["", f"last: {unit.last}"] if unit.last else []
        rows += [f"r: seat {unit.retest} again and test it once more"] if unit.retest else []
        rows += ["", "Scan it, clamp it, close the guard, press reset, ARM."]
        rows.append("m missing   l leave out   k key in   e end")
        click.echo("\n".join(rows), err=True)

    def read(self) -> Entry:
        """The next scan or key."""
        if self._scans:
            code = self._scans.pop(0)
            return Entry("key", code) if len(code) == 1 else Entry("scan", code)
        scanner, label = self._file.scanner, self._file.label
        return read_entry(scanner.gap_ms, scanner.shortest, label.prefix)

    def ask(self, question: str, keys: Mapping[str, str]) -> str:
        """One of the keys; a scan in place of one is passed over, the end of the input answers nothing."""
        click.echo(f"{question}\n  " + "   ".join(f"{key} {word}" for key, word in keys.items()), err=True)
        while True:
            entry = self.read()
            if entry.kind == "end":
                return ""
            if entry.kind == "key" and entry.text in keys:
                return entry.text
            click.echo(f"one of the keys {', '.join(keys)}", err=True)

    def line(self, question: str) -> str:
        """A line typed by hand."""
        click.echo(f"{question} ", err=True, nl=False)
        return self._scans.pop(0) if self._scans else read_line()

    def tell(self, text: str, *, trouble: bool = False) -> None:
        """Said with a sound; two for trouble."""
        sound = (TROUBLE_SOUND if trouble else END_SOUND) if self._live else ""
        click.echo(f"{sound}{text}", err=True)

    def run(self, request: Request, details: Mapping[str, object]) -> Finished:
        """A run of a controller of its own, its steps shown."""
        ended = follow(of_request(request, details={"lot": dict(details)}), Shown(quiet=self._quiet))
        return kept_run(str(ended["run"]))
