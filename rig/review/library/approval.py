"""Approved versions of learned limits: from their entries in the book, without one unit, and behind a run judged again.

A version is never changed. The unit that is judged never stands behind its own limits.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from typing import TYPE_CHECKING, Any

from rig.description.loading import from_data
from rig.description.parts import PartFile
from rig.errors import UsageError
from rig.quantity import Limit
from rig.records.book.entries import LearnedLimits
from rig.records.book.library import LibraryBook
from rig.records.index.history import alike
from rig.review.library.frozen import freeze
from rig.review.library.learning import LEAST_N, LearningRule, LimitSet, Teacher, set_of

if TYPE_CHECKING:
    from rig.records.run.record import RunHeader
    from rig.records.store import Store
    from rig.resolver.part import Part


def versions_in_book(store: Store, parts: Sequence[str], version: int = 0) -> dict[str, Any]:
    """Part number -> an approved version as its entry stands in the book (0: the newest), JSON-ready.

    Part numbers without one are left out. Raises UsageError when no part number has the version that is named.
    """
    book, found = LibraryBook(store), {}
    for part in parts:
        kept = [e for e in book.entries(part) if isinstance(e, LearnedLimits) and version in (0, e.version)]
        if kept:
            found[part] = asdict(kept[-1])
    if version and not found:
        raise UsageError(
            f"no approved limits of version {version} for {', '.join(parts)}.",
            next_action="See `anglewright known PART --history`.",
        )
    return found


def limits_again(header: RunHeader, part: Part | None, versions: Mapping[str, Any]) -> dict[str, Any]:
    """What stands behind a kept run's part file (or `part`) by other versions; empty when nothing does."""
    if not header.kind.judges_part:
        return {}
    part = part or from_data(PartFile, dict(header.part), f"run {header.run}, part").part()
    entry = versions.get(part.number)
    limits = without(as_approved(LearnedLimits(**entry)), header.serial) if entry else None
    swept = header.kind.whole_turns > 0
    return freeze(limits, part, simulated=header.simulated, swept=swept) or {}


def as_approved(entry: LearnedLimits) -> LimitSet:
    """A version from its entry: the limits as they were frozen, the lines behind them learned again from the units."""
    teachers = [Teacher(**unit) for unit in entry.units]
    origin = str(entry.limits[0]["origin"]) if entry.limits else "learned"
    told: dict[str, Any] = {"version": entry.version, "simulated": entry.simulated, "origin": origin}
    again = set_of(entry.part, teachers, LearningRule(**entry.rule), **told)
    return replace(
        again,
        limits=tuple(Limit(**row) for row in entry.limits),
        rejected=entry.rejected,
        flagged=entry.flagged,
        approved_by=entry.who,
        approved_utc=entry.at_utc,
        frequency_hz=entry.frequency_hz,
        level_v_rms=entry.level_v_rms,
    )


def without(limits: LimitSet, serial: str) -> LimitSet | None:
    """The version for judging `serial`: the same, or learned anew from the other units; None when too few are left."""
    others = [teacher for teacher in limits.teachers if alike(teacher.serial) != alike(serial)]
    if len(others) == limits.n:
        return limits
    if len(others) < LEAST_N:
        return None
    told: dict[str, Any] = {"version": limits.version, "simulated": limits.simulated, "origin": limits.origin}
    made = set_of(limits.part, others, limits.rule, without=serial, **told)
    kept = ("approved_by", "approved_utc", "frequency_hz", "level_v_rms", "withdrawn")
    return replace(made, **{name: getattr(limits, name) for name in kept})
