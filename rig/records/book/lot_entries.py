"""Entries of the shop's book about lots: opened, listed, frozen, units set aside, sittings, decisions, severities.

Plain data, only ever added. What was measured stands in the runs (their job is the lot's name, their details name the
label); nothing of a run is copied here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from rig.records.book.numbered_entry import Numbered


@dataclass(frozen=True, slots=True, kw_only=True)
class LotOpened(Numbered):
    """A lot as it came. file: the lot file as checked; of several before the plan is frozen the newest counts."""

    lot: str
    supplier: str
    part: str
    file: Mapping[str, Any]
    who: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LotDelivery(Numbered):
    """A delivery of the lot: how many came, and the list of serial numbers that came with it.

    rows: {row, serial, code, box, claimed} of each taken row, row as in the file; faults: what was told of other rows.
    """

    lot: str
    quantity: int
    rows: Sequence[Mapping[str, Any]] = ()
    faults: Sequence[str] = ()
    source: str = ""
    sha256: str = ""
    coding: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LotFrozen(Numbered):
    """The plan as the first reading fixed it. picks: {label, place, serial, box} in the order of testing.

    checks: each with its numbers, severity and source; rule: what counts as nonconforming, what a re-seat clears.
    """

    lot: str
    seed: int
    picks: Sequence[Mapping[str, Any]]
    checks: Sequence[Mapping[str, Any]]
    rule: Mapping[str, Any]
    who: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LotUnit(Numbered):
    """What was done about one unit. what: "serial", "left out", "missing", "visual", "other scan", "not taken".

    serial: the one it has; scanned: the code as it came; text: why, or what was seen; data: visual words.
    """

    lot: str
    label: str
    what: str
    serial: str = ""
    scanned: str = ""
    text: str = ""
    who: str = ""
    data: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class LotSitting(Numbered):
    """A sitting begins or ends. standards: the run of the check standards taken then, "" where none was."""

    lot: str
    sitting: int
    what: str
    who: str = ""
    bench: str = ""
    standards: str = ""
    outcome: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LotDecision(Numbered):
    """What a person decided, with the plan's answer beside it. groups: check name -> answer, found, severity."""

    lot: str
    decision: str
    plan_answer: str
    why: str
    who: str
    groups: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class SeverityAct:
    """A person's act on the severity of a supplier's part and group (rig/statistics/severity.py)."""

    supplier: str
    part: str
    group: str
    kind: str
    why: str
    who: str
    limit_number: int | None = None
    at_utc: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FittingOutcome:
    """What became of a unit after it was fitted. outcome: "cured" or "came back"; run: the test it was fitted on."""

    part: str
    serial: str
    outcome: str
    why: str = ""
    job: str = ""
    run: str = ""
    who: str = ""
    at_utc: str = ""


OF_A_LOT: Mapping[str, type] = {
    "lot-opened": LotOpened,
    "lot-delivery": LotDelivery,
    "lot-frozen": LotFrozen,
    "lot-unit": LotUnit,
    "lot-sitting": LotSitting,
    "lot-decision": LotDecision,
}
LotEntry = LotOpened | LotDelivery | LotFrozen | LotUnit | LotSitting | LotDecision
