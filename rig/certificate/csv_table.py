"""The table faces: CSV of every figure (one row a line of the report, unrounded) and of the curves point by point.

Every row of a simulated run says SIMULATED, so that it stays said when rows are copied elsewhere. It computes nothing.
"""

from __future__ import annotations

from rig.answer import Curves
from rig.certificate.content.report import Content
from rig.certificate.words.wording import find_measurand
from rig.data import csv_bytes, judged_lines, points
from rig.result import Judgement

COLUMNS = (
    "report",
    "simulated",
    "group",
    "measurand",
    "name",
    "qualifier",
    "estimate",
    "unit",
    "U",
    "k",
    "coverage",
    "dof",
    "lower",
    "upper",
    "origin",
    "verdict",
    "conditions",
    "note",
)


def results_csv(content: Content, judgement: Judgement) -> bytes:
    """One row a line, in the report's order."""
    known = [find_measurand(line.measurand) for line in judgement.judged]
    frame = judged_lines(judgement.judged).assign(
        report=content.number, simulated=_mark(content), group=[m.group for m in known], name=[m.name for m in known]
    )
    frame = frame.assign(verdict="no verdict") if content.silent else frame
    return csv_bytes(frame.reindex(columns=list(COLUMNS)))


def curves_csv(content: Content) -> bytes:
    """The curves side by side, one row a point; b"" for a run without a sweep."""
    frame = points(Curves.from_dict(content.curves))
    if frame.empty:
        return b""
    frame.insert(0, "report", content.number)
    frame.insert(1, "simulated", _mark(content))
    return csv_bytes(frame)


def _mark(content: Content) -> str:
    return "SIMULATED" if content.simulated else ""
