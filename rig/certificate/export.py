"""The faces of a report: JSON with every figure unrounded, PDF/A-3b that carries it, CSV; all from one Content.

    faces(stored) -> [(kind, file name, bytes)]   kind: data, certificate, table, curves

It writes no file and opens no run: the store does. Numbers are unrounded, null never NaN; simulated runs say so first.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from datetime import UTC, datetime
from typing import Any

from rig.certificate.content import Content, content
from rig.certificate.page import pdf
from rig.certificate.table import curves_csv, results_csv
from rig.errors import UsageError
from rig.records.files import to_json
from rig.records.run import judgement_to_dict
from rig.records.store import StoredRun
from rig.result import Judgement

SCHEMA = "anglewright certificate 1"
SAID = (  # what stands in words in the JSON face, as it is printed
    "number",
    "run",
    "issue",
    "replaces",
    "simulated",
    "title",
    "subtitle",
    "shop",
    "item",
    "job",
    "dates",
    "outcome",
    "sentence",
    "conditions",
    "manual",
    "instruments",
    "traceable",
    "traceability",
    "decision",
    "risk",
    "equations",
    "positive",
    "pins",
    "pole_pairs",
    "excluded",
    "statements",
    "relearn",
    "software",
    "hashes",
)


def faces(stored: StoredRun, *, issued_utc: str = "") -> list[tuple[str, str, bytes]]:
    """Every face of the next report of a judged run: (kind, file name, bytes).

    issued_utc: ISO 8601, by default now (never before the run ended). Raises UsageError for a run without a
    judgement, RecordError when it can't be read or set.
    """
    judgement = stored.judgement
    if judgement is None:
        raise UsageError(f"run {stored.id} was not judged.", next_action="Judge it first, or run the test again.")
    issued = issued_utc or _now(stored)
    said = content(stored, judgement, issued_utc=issued, issue=1 + len(list(stored.path.glob("certificate*.pdf"))))
    data = to_json(document(said, judgement))
    made = [
        ("certificate", "certificate.pdf", pdf(said, data, issued_utc=issued)),
        ("data", "certificate.json", data),
        ("table", "certificate.csv", results_csv(said, judgement)),
    ]
    if curves := curves_csv(said):
        made.append(("curves", "curves.csv", curves))
    return made


def document(said: Content, judgement: Judgement) -> dict[str, Any]:
    """The JSON face: what is said in words, and the judgement with every figure, budgets and curves included."""
    told = asdict(said)
    words: Mapping[str, Any] = {key: _objects(told[key]) for key in SAID}
    figures = judgement_to_dict(judgement)
    del figures["schema"]
    mark = "SIMULATED: no part was measured" if said.simulated else ""
    return {"schema": SCHEMA, "mark": mark, **words, **figures}


def _objects(value: Any) -> Any:
    """(name, value) pairs as an object."""
    if isinstance(value, tuple) and value and all(isinstance(item, tuple) and len(item) == 2 for item in value):
        return dict(value)
    return value


def _now(stored: StoredRun) -> str:
    now = datetime.now(UTC)
    if stored.record is not None:
        now = max(now, datetime.fromisoformat(stored.record.ended_utc))
    return now.isoformat(timespec="seconds").replace("+00:00", "Z")
