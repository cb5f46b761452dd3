"""The library of a part number: known-good units in and out, limits learned from them, versions that a person approved.

It must never learn from the unit that is judged (whatever its runs, however its serial is written), drop a unit
silently, or change a version once it is approved. What is kept stands in the shop's book (rig/records/book/library.py);
how limits are learned in learning.py; how a run takes them in frozen.py.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, replace
from typing import TYPE_CHECKING, Any

from rig.description.loading import from_data
from rig.description.parts import PartFile
from rig.description.traits import Traits
from rig.errors import UsageError
from rig.records.book.entries import GoodUnit, LearnedLimits, WithdrawnUnit
from rig.records.book.library import LibraryBook, LibraryEntry
from rig.result import Judged
from rig.review.library.approval import as_approved, without
from rig.review.library.frozen import SANITY, freeze
from rig.review.library.learning import (
    LEAST_N,
    LearningRule,
    LimitSet,
    Teacher,
    learned_lines,
    line_coverage,
    set_of,
    values_of,
)
from rig.uncertainty.conformity import Verdict

if TYPE_CHECKING:
    from rig.records.run.stored import StoredRun
    from rig.records.store import Store
    from rig.resolver.part import Part

NEVER_GOOD = ("unsound measurement", "not this kind", "incomplete")


class Library:
    """The libraries of a store's home."""

    def __init__(self, store: Store) -> None:
        self.book = LibraryBook(store)

    # ---- units ----------------------------------------------------------------------------------------------

    def add(self, runs: Sequence[StoredRun], *, how: str, who: str) -> GoodUnit:
        """Take a unit in by its kept runs; taken in again it replaces its earlier entry (which stays in the book).

        Raises UsageError for runs of several units, a run that can't teach, or another excitation than the others'.
        """
        _require_names(how, who)
        first = _one_unit(runs)
        for run in runs:
            _teaches(run)
        excitation = from_data(PartFile, dict(first.header.part), f"run {first.id}, part").excitation
        values, U = values_of(run.judgement for run in runs if run.judgement is not None)
        if not values:
            raise UsageError(
                f"run {first.id} has no line that could teach.", next_action="Name a sound full test of this unit."
            )
        unit = GoodUnit(
            part=str(first.header.part.get("number", "")),
            serial=first.header.serial,
            how=how.strip(),
            who=who.strip(),
            runs=tuple(run.id for run in runs),
            values=values,
            U=U,
            frequency_hz=excitation.frequency_hz,
            level_v_rms=excitation.level_v_rms,
            rotor=first.header.rotor,
            simulated=first.header.simulated,
        )
        with self.book.turn():
            for other in self.units(unit.part):
                _fits(unit, other)
            return self.book.add(unit)

    def withdraw(self, part: str, serial: str, *, why: str, who: str) -> WithdrawnUnit:
        """Take a unit out for a stated reason; its entry stays, the reason beside it. Versions stay as approved."""
        if not why.strip() or not who.strip():
            raise UsageError(
                f"{part} {serial}: withdrawn without a reason or a name.",
                next_action="Say what was found, and by whom.",
            )
        with self.book.turn():
            if serial not in {unit.serial for unit in self.units(part)}:
                raise UsageError(
                    f"{part}: no unit {serial} in the library.", next_action="See `anglewright known PART --units`."
                )
            return self.book.add(WithdrawnUnit(part=part, serial=serial, why=why.strip(), who=who.strip()))

    def units(self, part: str) -> list[GoodUnit]:
        """Units in force, in the order taken in."""
        held: dict[str, GoodUnit] = {}
        for entry in self.book.entries(part):
            if isinstance(entry, GoodUnit):
                held[entry.serial] = entry
            elif isinstance(entry, WithdrawnUnit):
                held.pop(entry.serial, None)
        return list(held.values())

    # ---- limits ---------------------------------------------------------------------------------------------

    def propose(self, part: str, rule: LearningRule | None = None, *, family: float | None = None) -> LimitSet:
        """The limits that the units in force make; nothing is kept. family: coverage wanted of all lines together.

        Raises UsageError for fewer than three units or a figure that is no share.
        """
        units = self.units(part)
        if len(units) < LEAST_N:
            raise UsageError(
                f"{part}: {len(units)} known-good units; {LEAST_N} at least make a limit.",
                next_action="Add units with `anglewright known add`; until then the shop's fall-back stands in.",
            )
        rule = rule or LearningRule()
        teachers = [Teacher(serial=unit.serial, values=unit.values, U=unit.U, rotor=unit.rotor) for unit in units]
        if family is not None:
            rule = replace(rule, coverage=line_coverage(family, len(learned_lines(teachers))))
        try:
            made = set_of(part, teachers, rule, simulated=units[0].simulated)
        except ValueError as fault:
            raise UsageError(f"{part}: {fault}.", next_action="Give shares such as 0.99 and 0.95.") from fault
        return replace(made, frequency_hz=units[0].frequency_hz, level_v_rms=units[0].level_v_rms)

    def approve(
        self,
        part: str,
        rule: LearningRule | None = None,
        *,
        who: str,
        family: float | None = None,
        proposal: LimitSet | None = None,
    ) -> LimitSet:
        """A person takes responsibility: what is proposed (by the known-good units, or `proposal`) is frozen under the
        next version. Raises UsageError."""
        if not who.strip():
            raise UsageError(f"{part}: limits approved by nobody.", next_action="Give the name with --by.")
        with self.book.turn():
            made = proposal or self.propose(part, rule, family=family)
            version = 1 + max((entry.version for entry in self._versions(part)), default=0)
            told: dict[str, Any] = {"version": version, "simulated": made.simulated, "origin": made.origin}
            numbered = set_of(part, made.teachers, made.rule, **told)
            self.book.add(
                LearnedLimits(
                    part=part,
                    version=version,
                    who=who.strip(),
                    rule=asdict(made.rule),
                    units=[asdict(teacher) for teacher in made.teachers],
                    limits=[{"measurand": limit.measurand, **limit.to_dict()} for limit in numbered.limits],
                    rejected=numbered.rejected,
                    flagged=numbered.flagged,
                    frequency_hz=made.frequency_hz,
                    level_v_rms=made.level_v_rms,
                    simulated=made.simulated,
                )
            )
            return self.version(part, version)

    def version(self, part: str, version: int | None = None) -> LimitSet:
        """A version as it was approved (by default the newest). Raises UsageError when there is none."""
        kept = self._versions(part)
        found = kept[-1:] if version is None else [entry for entry in kept if entry.version == version]
        if not found:
            raise UsageError(
                f"{part}: no approved limits{'' if version is None else f' of version {version}'}.",
                next_action="Look at `anglewright known PART`, then `anglewright known approve`.",
            )
        made, here = as_approved(found[0]), {unit.serial for unit in self.units(part)}
        gone = tuple(t.serial for t in made.teachers if t.serial not in here) if made.origin == "learned" else ()
        return replace(made, withdrawn=gone)

    def to_judge(self, part: str, serial: str) -> LimitSet | None:
        """The newest approved version for one unit, learned without it where it is one of the teachers.

        None when nothing is approved, or when too few teachers are left.
        """
        return without(self.version(part), serial) if self._versions(part) else None

    def history(self, part: str) -> list[LibraryEntry]:
        """Everything that was ever entered, oldest first."""
        return self.book.entries(part)

    def _versions(self, part: str) -> list[LearnedLimits]:
        return [entry for entry in self.book.entries(part) if isinstance(entry, LearnedLimits)]


def limits_behind(store: Store, part: Part, serial: str, traits: Traits, *, simulated: bool) -> dict[str, Any] | None:
    """What stands behind a part file's own limits for one run, as its header keeps it; None when nothing does.

    Raises RecordError for a broken library.
    """
    if not traits.judges_part:
        return None
    limits = Library(store).to_judge(part.number, serial)
    return freeze(limits, part, simulated=simulated, swept=traits.whole_turns > 0)


def _require_names(how: str, who: str) -> None:
    if not how.strip() or not who.strip():
        raise UsageError(
            "a known-good unit needs how it is known and by whom.",
            next_action="Say both: new from the maker, ran in a machine, compared with others; and your name.",
        )


def _one_unit(runs: Sequence[StoredRun]) -> StoredRun:
    if not runs:
        raise UsageError("no run is named.", next_action="Name a sound full test of the unit.")
    for name in ("part", "serial", "rotor", "simulated"):
        told = [run.header.part.get("number") if name == "part" else getattr(run.header, name) for run in runs]
        if len(seen := {str(one) for one in told}) > 1:
            raise UsageError(
                f"the runs differ in {name}: {', '.join(sorted(seen))}.",
                next_action="Add each unit by runs of its own.",
            )
    return runs[0]


def _teaches(run: StoredRun) -> None:
    judgement = run.judgement
    if judgement is None or judgement.outcome in NEVER_GOOD:
        outcome = "not judged" if judgement is None else repr(judgement.outcome)
        raise UsageError(
            f"run {run.id} is {outcome}; it can't teach what good is.",
            next_action="Name a sound run of a unit that is known to be good.",
        )
    if not (run.header.kind.judges_part and run.header.kind.whole_turns):
        raise UsageError(
            f"run {run.id} is a {run.header.sequence}; only a full test measures what a limit is learned from.",
            next_action="Run full_test on this unit.",
        )
    if bad := [line.measurand for line in judgement.judged if line.verdict is Verdict.FAIL and not _by_sanity(line)]:
        raise UsageError(
            f"run {run.id} is outside limits at {', '.join(bad)}; it can't teach what good is.",
            next_action="Name a run of a unit that is known to be good, or mend the limit it fails.",
        )


def _by_sanity(line: Judged) -> bool:
    """A unit known to be good may lie outside what the shop expects of parts that nobody knows."""
    return line.limit is not None and line.limit.note == SANITY


def _fits(unit: GoodUnit, other: GoodUnit) -> None:
    asked = (unit.frequency_hz, unit.level_v_rms, unit.simulated)
    if asked == (other.frequency_hz, other.level_v_rms, other.simulated):
        return
    words = [f"{u.frequency_hz:g} Hz, {u.level_v_rms:g} V{', simulated' if u.simulated else ''}" for u in (unit, other)]
    raise UsageError(
        f"{unit.part} {unit.serial} was measured at {words[0]}; the library holds {other.serial} at {words[1]}.",
        next_action="Measure it as the others were; simulated units never stand among real ones.",
    )
