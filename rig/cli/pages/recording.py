"""A judged recording on the screen: outcome, reasons, what explains the error, every line, and what is not known."""

from __future__ import annotations

from collections.abc import Iterator

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from rig.certificate.words.wording import display
from rig.jobs.kept.recordings import JudgedRecording
from rig.result import Judged, Judgement
from rig.uncertainty.conformity import Verdict


def show(recording: JudgedRecording) -> None:
    """Print it."""
    found = recording.judgement
    console = Console(highlight=False)
    console.print(Text.assemble((found.outcome.upper(), "bold"), f"   {recording.kind} from {recording.source}"))
    for text in _texts(found):
        console.print(Padding(Text(text), (0, 0, 0, 2)))
    console.print(_lines(found))
    for note in found.notes:
        console.print(Padding(Text(note), (0, 0, 0, 2)))
    console.print("not known:")
    for row in found.unknown:
        console.print(Padding(Text(f"- {row.what} (without {row.witness})"), (0, 0, 0, 2)))


def _texts(found: Judgement) -> Iterator[str]:
    for reason in found.reasons:
        yield f"{reason.code}: {reason.text}\nwhy   {reason.evidence}\nnext  {reason.next}"
    for finding in found.findings:
        share = f"{100 * finding.probability:.0f} %"
        yield (
            f"hint: {finding.code} ({share})  {finding.text}\nfor      {finding.evidence}\n"
            f"against  {finding.against}\nnext     {finding.next_test}"
        )
    for cause in found.causes:
        yield f"order {cause.order_mech} a turn: {cause.text}; error {cause.error_elec_arcmin:.1f}' electrical"


def _lines(found: Judgement) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim", show_edge=False)
    table.add_column("")
    for name in ("estimate", "± U"):
        table.add_column(name, justify="right", no_wrap=True)
    for _ in range(3):
        table.add_column("", no_wrap=True)
    for row in found.judged:
        shown = display(row)
        verdict = "" if row.verdict is Verdict.NO_LIMIT else row.verdict.value
        scatter = "scatter only" if row.result is not None and row.result.scatter_only else ""
        table.add_row(shown.name, shown.estimate, shown.U, shown.unit or _unit(row), scatter, verdict)
    return table


def _unit(row: Judged) -> str:
    """The unit of a line that is not among the measurands."""
    return row.result.unit if row.result is not None and row.result.unit not in ("ratio", "1") else ""
