"""What the terminal shows: progress while a run goes on, then outcome, lines, reasons and findings.

It computes nothing and decides nothing. Every verdict is a word, so that it reads without colour; angles always say
elec or mech. rich is loaded here, and this file only when something is shown.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Mapping, Sequence
from typing import Any

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from rig.certificate.content.report import tally
from rig.certificate.content.rows import GROUPS
from rig.certificate.words.wording import display, short_name
from rig.cli.pages.leaks import drying
from rig.cli.pages.runs import console_of_output
from rig.cli.pages.witness import settling
from rig.control.step import Progress as Told
from rig.jobs.bench import health as proving
from rig.jobs.bench.axis_standing import axis_sentence
from rig.jobs.bench.recording import KeptDialogue
from rig.jobs.demo import SHOP, DemoUnit
from rig.jobs.kept.kept_run import Finished
from rig.measurands import measurand
from rig.result import Judged
from rig.review.outcome.open_lines import OpenLine

STYLES = {
    "pass": "green",
    "conditional pass": "yellow",
    "conditional fail": "yellow",
    "fail": "bold red",
    "not capable": "yellow",
    "not tested": "dim",
    "no limit": "dim",
}
TITLES = {id_: title.partition(",")[0].partition(" (")[0] for id_, title in GROUPS}
OUTCOME_STYLES = {"within limits": "bold green", "outside limits": "bold red"}


class ProgressLine:
    """Shows how far a run is: one line that renews itself on a terminal, one line a step elsewhere."""

    def __init__(self, *, quiet: bool = False) -> None:
        self._console = Console(stderr=True, highlight=False)
        self._live = self._console.is_terminal and not quiet
        self._quiet = quiet
        self._step = ""
        self._shown_s = 0.0

    def __call__(self, told: Told) -> None:
        if self._quiet:
            return
        if told.step != self._step:
            self._step = told.step
            self._clear()
            self._console.print(f"  [dim]·[/] {told.text}")
        elif self._live and time.monotonic() - self._shown_s > 0.1:
            self._shown_s = time.monotonic()
            figures = "  ".join(f"{name} {value}" for name, value in told.figures.items())
            bar = _bar(told.done, told.total) if told.total else ""
            sys.stderr.write(f"\r\x1b[2K    {bar}{told.text}  {figures}"[: self._console.width + 6])
            sys.stderr.flush()

    def _clear(self) -> None:
        if self._live:
            sys.stderr.write("\r\x1b[2K")


def _bar(done: int, total: int, width: int = 24) -> str:
    filled = round(width * done / total)
    return f"{'━' * filled}{'─' * (width - filled)} {done}/{total}  "


def show_scene(unit: DemoUnit) -> None:
    """What the shop knows of a demonstration unit before it is clamped."""
    console = Console(highlight=False)
    console.print(f"\n[bold]{SHOP}[/]   part {unit.part}   serial {unit.serial}")
    console.print(f"{unit.told}\n", style="italic")


def show_finished(finished: Finished, *, every_line: bool = False) -> None:
    """Outcome, reasons, findings, the judged lines (or every line), files."""
    console = console_of_output()
    header, judgement = finished.stored.header, finished.judgement
    console.print()
    if header.simulated:
        console.print("SIMULATED: no part was measured", style="reverse")
    style = OUTCOME_STYLES.get(judgement.outcome, "bold yellow")
    console.print(
        Text.assemble((judgement.outcome.upper(), style), f"   {header.part.get('number', '')} serial {header.serial}")
    )
    if judgement.awaits:
        console.print(Text(f"  {judgement.awaits_text}: nothing in this run tells rig from part", "bold yellow"))
    for reason in judgement.reasons:
        told = f"{reason.text}\nwhy   {reason.evidence}\nnext  {reason.next}"
        if reason.witness:
            told += f"\nwitness  {reason.witness}"
        if reason.rig_or_part:
            told += f"\nso    {reason.rig_or_part}"
        console.print(Padding(Text(f"{reason.code}: {told}"), (0, 0, 0, 2)))
    for number, finding in enumerate(judgement.findings, start=1):
        told = f"hint {number}: {finding.code} ({100 * finding.probability:.0f} %)  {finding.text}"
        told += f"\nfor      {finding.evidence}"
        told += f"\nagainst  {finding.against}" if finding.against else ""
        told += f"\nnext     {finding.next_test}"
        console.print(Padding(Text(told), (0, 0, 0, 2)))
    for note in judgement.notes:
        console.print(Padding(Text(note), (0, 0, 0, 2)))
    shown = tuple(line for line in judgement.judged if every_line or line.limit is not None or _by_hand(line))
    if shown:
        console.print(_lines(shown))
    if len(shown) < len(judgement.judged):
        every = f"{len(judgement.judged)} lines with those of the rig: anglewright unit {finished.stored.id}"
        console.print("; ".join(filter(None, (tally(judgement), every))), style="dim", soft_wrap=True)
    for row in [*drying(finished), *settling(finished), *remark_rows(finished)]:
        console.print(Padding(Text(row), (0, 0, 0, 2)))
    for row in open_rows(finished.open_lines()):
        console.print(Padding(Text(row), (0, 0, 0, 2)))
    if header.kind.question == "pins":
        console.print(f"what was found: anglewright pins {finished.stored.id}")
    for kind, path in finished.files.items():
        kind = "report" if kind == "certificate" and judgement.awaits else kind
        console.print(f"{kind:<12} {path}", soft_wrap=True)
    final = ", ".join(filter(None, (judgement.outcome, judgement.awaits_text)))
    console.print(Text.assemble("outcome      ", (final, style)))  # once more, below a long table


def remark_rows(finished: Finished) -> list[str]:
    """What people noted at this run: when, who, at which step, the words, the photo's file."""
    return [
        f"remark  {one.made_utc} {one.author}{f' at {one.step}' if one.step else ''}: "
        + ", ".join(filter(None, (one.text, one.photo and str(finished.stored.path / one.photo))))
        for one in finished.stored.remarks
    ]


def open_rows(lines: list[OpenLine]) -> list[str]:
    """What is open and why, lines that share both in one row, each next command once below its rows."""
    rows: list[str] = []
    for command in dict.fromkeys(one.next for one in lines):
        here = [one for one in lines if one.next == command]
        for why in dict.fromkeys(one.why for one in here):
            names = "; ".join(short_name(one.line, alone=True) for one in here if one.why == why and one.line)
            rows.append(f"open  {names}: {why}" if names else f"open  {why}")
        rows.append(f"next  {command}")
    return rows


def _lines(judged: tuple[Judged, ...]) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim", show_edge=False)
    for name, justify in (
        ("", "left"),
        ("estimate", "right"),
        ("± U", "right"),
        ("", "left"),
        ("limits", "left"),
        ("verdict", "left"),
    ):
        table.add_column(name, justify=justify, no_wrap=name != "")  # type: ignore[arg-type]
    group = ""
    for line in sorted(judged, key=_group_place):
        here = _group(line)
        if here != group:
            group = here
            table.add_section()
            table.add_row(Text(group, style="bold"))
        shown = display(line)
        verdict = Text(line.verdict.value, style=STYLES.get(line.verdict.value, ""))
        table.add_row(
            shown.name if _group(line) == "Entered by hand" else short_name(line.measurand, alone=True),
            shown.estimate,
            shown.U,
            shown.unit,
            shown.limits,
            verdict,
        )
    return table


def _by_hand(line: Judged) -> bool:
    return line.result is not None and line.result.manual


def _group(line: Judged) -> str:
    return "Entered by hand" if _by_hand(line) else TITLES.get(measurand(line.measurand).group, "The rig")


def _group_place(line: Judged) -> int:
    """Groups stay together, in the order of the paper."""
    titles = [*TITLES.values(), "The rig", "Entered by hand"]
    return titles.index(_group(line))


def show_families(rows: Sequence[Mapping[str, str]]) -> None:
    """Families by level, best first; what a level rests on."""
    console = console_of_output()
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for name in ("role", "driver", "instruments", "level", "rests on"):
        table.add_column(name)
    for row in rows:
        table.add_row(row["role"], row["driver"], row["instruments"], row["level"], row["rests_on"])
    console.print(table)
    met = sum(row["level"] == "met hardware" for row in rows)
    console.print(f"{met or 'none'} of {len(rows)} has met an instrument")


def show_dialogues(kept: Sequence[KeptDialogue]) -> None:
    """Files of recorded dialogues, and what each proves."""
    for one in kept:
        print(f"{one.role}  {one.driver}  {one.exchanges} messages  {one.file}")
        if one.replaced is not None:
            print(f"  the serial number was replaced in {one.replaced} places: read the file before you send it")
        print(f"  broke off: {one.fault}" if one.fault else f"  proves {one.proves}")


def show_bench(report: Mapping[str, Any]) -> None:
    """What is connected, who answers, calibration due, what is missing for which sequence."""
    console = console_of_output()
    console.print(f"[bold]{report['title'] or report['bench']}[/]" + ("   SIMULATED" if report["simulated"] else ""))
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for name in ("role", "who answers", "serial", "asset", "calibration due", "answers in"):
        table.add_column(name, no_wrap=True)
    for row in report["instruments"]:
        who = f"{row['maker']} {row['model']}"
        due = (row["due"] or "none recorded") + (" OVERDUE" if row["overdue"] else "")
        table.add_row(row["role"], who, row["serial"], row["asset"], due, f"{row['answer_ms']:.1f} ms")
    console.print(table)
    unlocked = [row["role"] for row in report["instruments"] if row["own_lock"] == "none"]
    if unlocked and not report["simulated"]:
        console.print(f"another computer could speak to these, which have no lock of their own: {', '.join(unlocked)}")
    guard = "closed" if report["guard_closed"] else "OPEN"
    stop = "PRESSED" if report["emergency_stop"] else "released"
    inputs = f"guard {guard}, emergency stop {stop}"
    read = inputs if report["interlock_read"] else "no guard and no emergency stop is read"
    console.print(read + ("; attended only" if report["abilities"]["attended_only"] else ""))
    console.print(proving.health_sentence(report["health"]))
    console.print(axis_sentence(report["axis"]))
    console.print(f"can run: {', '.join(report['can_run']) or 'nothing'}")
    for sequence, roles in report["lacking"].items():
        console.print(f"{sequence}: lacks {', '.join(roles)}")
