"""Reasons that a run is given beside its own readings: by the gate that ended it early, and by a confirmed suspect.

A confirmed suspect spoils the lines that its entry names when the run is judged again, and no other. An entry that
nobody settled, or that was cleared, spoils nothing. One by an instrument names no lines: it spoils all.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rig.records.run.stored import StoredRun
from rig.records.run.suspect import CONFIRMED, cause_words, suspect_entries
from rig.result import Reason

STANDARD_OUT, INSTRUMENT_OUT = "check-standard-out", "instrument-out-of-tolerance"
EVERY_LINE = "*"
MEASURE_AGAIN = "Measure these lines again on a bench whose standards are in control."
GIVEN = {  # code -> text; the next action is one
    STANDARD_OUT: "A check standard of the bench was out of control when this was measured.",
    INSTRUMENT_OUT: "An instrument that was used was out of tolerance.",
}


def given_reasons(run: StoredRun) -> list[Reason]:
    """Those of gates, then those of confirmed suspects."""
    return [*_reasons_of_events(run), *confirmed_reasons(run)]


def confirmed_reasons(run: StoredRun) -> list[Reason]:
    """A reason for each entry beside a run that a person confirmed."""
    found = []
    for one in suspect_entries(run.path):
        end = one["settled"]
        if end is None or end["decision"] != CONFIRMED:
            continue
        by_standard = "standard" in one
        found.append(
            Reason(
                code=STANDARD_OUT if by_standard else INSTRUMENT_OUT,
                text=GIVEN[STANDARD_OUT if by_standard else INSTRUMENT_OUT],
                evidence=f"{cause_words(one)}; confirmed by {end['who']}: {end['why']}",
                next=MEASURE_AGAIN,
                spoils=tuple(one["lines"]) if by_standard else (EVERY_LINE,),
                witness=f"{one['standard']}" if by_standard else f"{one['instrument']}",
            )
        )
    return found


def _reasons_of_events(run: StoredRun) -> list[Reason]:
    return [reason for event in run.events if event.get("kind") != "reading" for reason in _reasons_of_event(event)]


def _reasons_of_event(event: Mapping[str, Any]) -> list[Reason]:
    """Reasons that an `ended early` event carries, under `reasons` of its data."""
    found = event.get("reasons")
    if not isinstance(found, list):
        return []
    return [
        Reason(
            code=str(item["code"]),
            text=str(item.get("text", "")),
            evidence=str(item.get("evidence", "")),
            next=str(item.get("next", "")),
            spoils=tuple(item.get("spoils") or ()),
            witness=str(item.get("witness", "")),
            on_part=bool(item.get("on_part", False)),
        )
        for item in found
        if isinstance(item, Mapping) and "code" in item
    ]
