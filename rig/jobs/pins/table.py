"""Which coil is on which pin: of a table of resistances, of a session by hand and of a kept run of the pins sequence.

It prints nothing. The three become one `Observed`, rig/pins finds its pins, and a draft part file is written where one
is wanted (never over an existing one).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rig.description.parts import PartFile, load_part
from rig.errors import UsageError
from rig.evaluation.evaluated import evaluate
from rig.observed import Observed
from rig.pins.draft import draft
from rig.pins.search import FoundPins, find_pins
from rig.records.elsewhere.pairs import pairs_observed, read_pairs
from rig.records.files import write_new

SCHEMA = "anglewright result 1"
MOST_LEAD_OHM = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class AnalysedPairs:
    """A table with its pin map. part: the part file it was compared with, or None; draft_path: where a draft went."""

    source: str
    pins: FoundPins
    part: PartFile | None = None
    draft_path: str = ""
    run: str | None = None
    simulated: bool = False
    serial: str | None = None

    @property
    def exit_status(self) -> int:
        """Exit status of the outcome."""
        return self.pins.found.exit_status

    def document(self) -> dict[str, Any]:
        """The one --json document: numbers unrounded, null never NaN."""
        found = self.pins.found
        return {
            "schema": SCHEMA,
            "simulated": self.simulated,
            "run": self.run,
            "kind": "pairs",
            "source": self.source,
            "part": self.part.number if self.part else None,
            "serial": self.serial,
            "outcome": found.outcome,
            "reasons": [reason.to_dict() for reason in found.reasons],
            "results": [],
            "findings": [finding.to_dict() for finding in found.findings],
            "pins": self.pins.to_dict(),
            "notes": list(found.notes),
            "files": {"draft": self.draft_path} if self.draft_path else {},
        }


def analyse_pairs(
    path: Path | str, *, part: str | None = None, lead_ohm: float | None = None, draft_to: Path | None = None
) -> AnalysedPairs:
    """Read a table and find its pins, blind or against a part file (a draft will do).

    lead_ohm: lead resistance that is still in each reading. draft_to: write the draft part file there. Raises
    UsageError for a file that can't be read or a draft that can't be made, DescriptionError with its faulty lines.
    """
    if lead_ohm is not None and not 0 <= lead_ohm < MOST_LEAD_OHM:
        raise UsageError(f"{lead_ohm!r} ohm is no lead resistance.", next_action="Short the probes and read again.")
    observed = pairs_observed(read_pairs(Path(path)), str(path), lead_ohm)
    return analyse_observed(observed, str(path), part=part, draft_to=draft_to)


def analyse_observed(
    observed: Observed, source: str, *, part: str | None = None, draft_to: Path | None = None
) -> AnalysedPairs:
    """The pins of a table from anywhere, and its draft where one is wanted."""
    part_file = load_part(part, draft=True) if part is not None else None
    pins = find_pins(evaluate(observed), part_file.part() if part_file else None)
    return AnalysedPairs(source=source, pins=pins, part=part_file, draft_path=_write_draft(pins, draft_to))


def analyse_run(run_id: str, *, draft_to: Path | None = None) -> AnalysedPairs:
    """The pins of a kept run of the `pins` sequence, its AC test included; blind to the part file's map.

    Raises UsageError for a run that is not there or read no pairs, or a draft that can't be made.
    """
    from rig.records.store import Store
    from rig.review.judge import observed_of

    stored = Store().find(run_id)
    pins = find_pins(evaluate(observed_of(stored)))
    if not pins.table.readings:
        raise UsageError(f"run {stored.id} read no pairs of pins.", next_action="Give a run of the pins sequence.")
    return AnalysedPairs(
        source=f"run {stored.id}",
        pins=pins,
        draft_path=_write_draft(pins, draft_to),
        run=stored.id,
        simulated=stored.header.simulated,
        serial=stored.header.serial,
    )


def _write_draft(pins: FoundPins, draft_to: Path | None) -> str:
    """Where the draft went; "" where none is wanted."""
    if draft_to is None:
        return ""
    return str(write_new(draft_to, draft(pins.found, draft_to.stem, pins.ac).encode()))
