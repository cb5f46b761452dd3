"""Suspects of a home, and their end by a person: cleared, or confirmed and judged again without the lines in question.

A decision is an entry beside the run, with a reason and a name; the suspect entry, its report and its figures stay.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rig.certificate.seal.register import Register
from rig.errors import UsageError
from rig.records.run.stored import StoredRun
from rig.records.run.suspect import (
    CLEARED,
    CONFIRMED,
    cause_words,
    settle_entry,
    suspect_entries,
    suspect_file,
    suspect_state,
)
from rig.records.store import Store


def suspects_of_home(store: Store) -> list[dict[str, Any]]:
    """A row for each entry of each run, newest run first: run, serial, state, cause, settled, reports."""
    rows, register = [], Register(store.home)
    for id_ in reversed(store.ids()):
        path = store.folder / id_
        if not suspect_file(path).exists():
            continue
        header = StoredRun(path).header
        numbers = [entry.number for entry in register.of_run(id_)]
        for one in suspect_entries(path):
            end: Mapping[str, Any] = one["settled"] or {}
            rows.append(
                {
                    "run": id_,
                    "serial": header.serial,
                    "job": header.job,
                    "entry": one["file"],
                    "state": end.get("decision", "suspect"),
                    "cause": cause_words(one),
                    "who": end.get("who", ""),
                    "why": end.get("why", ""),
                    "reports": numbers,
                }
            )
    return rows


def settle(store: Store, run: str, decision: str, *, why: str, who: str, evidence: str = "") -> dict[str, Any]:
    """End what is open of a run; confirmed: the run is judged again, the lines in question spoiled.

    evidence: a run that shows it, or "". Returns what changed and the reports that a person has to amend. Raises
    UsageError for a run that nothing is open of, an empty reason or name, or an unknown run as evidence.
    """
    if decision not in (CLEARED, CONFIRMED):
        raise UsageError(f"{decision!r} ends no suspect.", next_action=f"Either {CLEARED} or {CONFIRMED}.")
    for name, text in (("reason", why), ("name", who)):
        if not text.strip():
            raise UsageError(f"a suspect is not {decision} without a {name}.", next_action="Give --why and --by.")
    stored = store.find(run)
    shown = store.find(evidence).id if evidence else ""
    open_ones = [one for one in suspect_entries(stored.path) if one["settled"] is None]
    if not open_ones:
        state = suspect_state(stored.path)
        raise UsageError(f"nothing is open of run {stored.id}{f': it is {state}' if state else ''}.")
    for one in open_ones:
        settle_entry(stored.path, str(one["file"]), decision, why=why.strip(), who=who.strip(), evidence=shown)
    store.index.mark_stale(stored.id)
    made: dict[str, Any] = {"run": stored.id, "decision": decision, "settled": [str(one["file"]) for one in open_ones]}
    reports = [entry.number for entry in Register(store.home).of_run(stored.id)]
    if decision == CLEARED:
        return {**made, "outcome": StoredRun(stored.path).outcome, "amend": []}
    from rig.review.archive.archive import judge_again

    file, _ = judge_again(store, stored.id)
    return {**made, "judgement": file.name, "outcome": store.find(stored.id).outcome, "amend": reports}
