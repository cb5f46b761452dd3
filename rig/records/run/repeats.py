"""Steps that were taken twice because an instrument was lost: which readings count no more, and the words for it.

It reads the journal's events "step repeated" (from_line, to_line: the failed attempt) and "said again" (a driver said a
verb twice within a step) as rig/control/repeating.py writes them. It must never know what a step measures.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from rig.errors import RecordError
from rig.records.run.journal import Entry


def superseded_lines(entries: Iterable[Entry], where: str) -> frozenset[int]:
    """Journal lines of failed attempts. Raises RecordError naming `where` for an event without its lines."""
    gone: set[int] = set()
    for entry in entries:
        if entry.kind != "event" or entry.data.get("name") != "step repeated":
            continue
        try:
            gone.update(range(int(entry.data["from_line"]), int(entry.data["to_line"]) + 1))
        except (KeyError, TypeError, ValueError) as fault:
            raise RecordError(
                f"{where}:{entry.n}: a repeated step does not say which lines it replaces ({fault!r}).",
                next_action="Restore it from a copy.",
            ) from fault
    return frozenset(gone)


def told(events: Iterable[Mapping[str, Any]]) -> list[str]:
    """A sentence for each repeated step and each instrument that was asked again, in order."""
    sentences = []
    for event in events:
        step, why = str(event.get("step", "")).replace("_", " "), str(event.get("why", ""))
        if event.get("name") == "step repeated":
            sentences.append(f"Step {step} was repeated; its first attempt is kept and not used. Why: {why}")
        elif event.get("name") == "said again":
            times = "once" if event.get("times") == 1 else f"{event.get('times')} times"
            sentences.append(f"Step {step}: {event.get('instrument')} was asked again {times}. Why: {why}")
    return sentences
