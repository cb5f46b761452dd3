"""A lot as it stands: its file, plan, units with their runs and what was said of them, and which unit is next.

It must never judge a line or write an entry. Everything comes from the book's entries and from the runs whose job is
the lot's name: a run counts as soon as it is closed, whatever was cut afterwards, so that no unit is tested twice.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from rig.description.loading import from_data
from rig.description.lots import LotFile
from rig.errors import UsageError
from rig.records.book.lot_entries import LotDecision, LotDelivery, LotFrozen, LotOpened, LotSitting, LotUnit
from rig.records.book.lots import LotBook
from rig.records.run.stored import StoredRun
from rig.records.run.suspect import CLEARED, CONFIRMED, OPEN, suspect_entries, suspect_state, suspect_words
from rig.records.store import Store
from rig.result import Judged, Judgement
from rig.review.lots.counting import Counted, Rule, count, lines_that_count
from rig.review.lots.plan import Numbered, checks_of
from rig.statistics.severity import State

KEY = "lot"  # in the details of a run's header: {"label", "sitting"}
SET_ASIDE = ("left out", "missing")
WHOLE, SCREEN = "whole", "screen"


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """One unit of the pick list. serial: as scanned, else as listed; runs: judged ones, oldest first; cut: runs that
    were cut short; aside: "left out" or "missing" with why; seen: what was looked at -> good, bad."""

    label: str
    place: int
    listed: str
    serial: str
    box: str
    runs: tuple[StoredRun, ...] = ()
    cut: tuple[StoredRun, ...] = ()
    aside: str = ""
    why: str = ""
    seen: Mapping[str, str] | None = None
    told: tuple[str, ...] = ()

    @property
    def judgements(self) -> list[Judgement]:
        """Of its judged runs."""
        return [run.judgement for run in self.runs if run.judgement is not None]

    def lines(self, rule: Rule) -> dict[str, Judged]:
        """The lines that count."""
        return lines_that_count(self.judgements, rule)

    @property
    def outcome(self) -> str:
        """Of its newest run, in words; "" before any."""
        return self.judgements[-1].outcome if self.judgements else ""


class Lot:
    """A lot read from a home. Raises UsageError for one that nobody opened."""

    def __init__(self, store: Store, name: str) -> None:
        self.store = store
        self.book = LotBook(store)
        self.entries = self.book.existing_entries(name)
        opened = [one for one in self.entries if isinstance(one, LotOpened)]
        self.opened = opened[-1]
        self.file = from_data(LotFile, self.opened.file, f"lot {name}")
        self.name = name

    # ---- what came ------------------------------------------------------------------------------------------------

    def _of(self, kind: type) -> list[Any]:
        return [entry for entry in self.entries if isinstance(entry, kind)]

    @property
    def deliveries(self) -> list[LotDelivery]:
        """Every delivery, oldest first."""
        return self._of(LotDelivery)

    @property
    def quantity(self) -> int:
        """Units delivered, over all deliveries."""
        return sum(one.quantity for one in self.deliveries)

    @property
    def rows(self) -> list[Mapping[str, Any]]:
        """Rows of the serial lists, in their order."""
        return [row for one in self.deliveries for row in one.rows]

    @property
    def claims(self) -> dict[str, dict[str, float]]:
        """Serial -> what the supplier claims of it."""
        return {str(row["serial"]): dict(row["claimed"]) for row in self.rows if row.get("claimed")}

    # ---- the plan -------------------------------------------------------------------------------------------------

    @cached_property
    def frozen(self) -> LotFrozen | None:
        """The plan as the first reading fixed it; None before."""
        found = self._of(LotFrozen)
        return found[0] if found else None

    @cached_property
    def plan(self) -> LotFrozen:
        """The same; raises UsageError before the first reading."""
        if self.frozen is None:
            raise UsageError(f"lot {self.name}: nothing was read yet.", next_action="`anglewright lot next` begins it.")
        return self.frozen

    @cached_property
    def checks(self) -> list[Numbered]:
        """Its checks in numbers."""
        return checks_of(self.plan)

    @cached_property
    def rule(self) -> Rule:
        """What counts."""
        told = self.plan.rule
        return Rule(nonconforming=tuple(told["nonconforming"]), cleared_by_reseat=tuple(told["cleared_by_reseat"]))

    # ---- units ----------------------------------------------------------------------------------------------------

    @cached_property
    def runs(self) -> list[StoredRun]:
        """Runs of this lot, oldest first."""
        found = self.store.list(job=self.name)
        return [StoredRun(self.store.folder / row.run) for row in reversed(found)]

    @cached_property
    def units(self) -> list[Unit]:
        """Every unit of the pick list, in its order."""
        by_label: dict[str, list[StoredRun]] = {}
        for run in self.runs:
            label = str((run.header.details.get(KEY) or {}).get("label", ""))
            if label:
                by_label.setdefault(label, []).append(run)
        return [self._unit(pick, by_label.get(str(pick["label"]), [])) for pick in self.plan.picks]

    def _unit(self, pick: Mapping[str, Any], runs: Sequence[StoredRun]) -> Unit:
        label = str(pick["label"])
        serial, aside, why, seen, told = str(pick["serial"]), "", "", None, []
        for entry in self._of(LotUnit):
            if entry.label != label:
                continue
            told.append(f"{entry.what}: {entry.text}" if entry.text else entry.what)
            if entry.what in SET_ASIDE:
                aside, why = entry.what, entry.text
            elif entry.what == "serial":
                serial = entry.serial
            elif entry.what == "visual":
                seen = {**(seen or {}), **{str(k): str(v) for k, v in entry.data.items()}}
            elif entry.what == "taken back":
                aside, why = "", ""
        whole = tuple(run for run in runs if run.judgement is not None and run.outcome != "incomplete")
        return Unit(
            label=label,
            place=int(pick["place"]),
            listed=str(pick["serial"]),
            serial=whole[-1].header.serial if whole else serial,
            box=str(pick["box"]),
            runs=whole,
            cut=tuple(run for run in runs if run not in whole),
            aside="" if whole else aside,
            why=why,
            seen=seen,
            told=tuple(told),
        )

    def sample(self, check: Numbered) -> list[Unit]:
        """The units that a check looks at: the first n of the pick list that were not set aside."""
        here = [unit for unit in self.units if not unit.aside]
        return here[: check.n]

    def needs(self, unit: Unit) -> str:
        """The test that a unit still needs: "whole", "screen", or ""; a run that earns a report is a whole one."""
        asked = {check.check.test for check in self.checks if unit in self.sample(check)}
        if WHOLE in asked:
            return "" if any(run.header.kind.certified for run in unit.runs) else WHOLE
        return "" if not asked or unit.runs else SCREEN

    def next_unit(self) -> Unit | None:
        """The first unit that is still needed and not set aside; None when the sitting has nothing left."""
        return next((unit for unit in self.units if not unit.aside and self.needs(unit)), None)

    def unit(self, label: str) -> Unit:
        """A unit by its label, or by its serial number. Raises UsageError."""
        for unit in self.units:
            if label.upper() == unit.label or (label and label == unit.serial):
                return unit
        raise UsageError(f"lot {self.name} has no unit {label!r}.", next_action=f"See `anglewright lot {self.name}`.")

    def count_of(self, check: Numbered, unit: Unit) -> Counted:
        """What a unit counts as in a check."""
        return count(check.check, unit.lines(self.rule), unit.seen or {}, self.rule)

    # ---- sittings and decisions -----------------------------------------------------------------------------------

    @property
    def sittings(self) -> list[LotSitting]:
        """What was entered about sittings, oldest first."""
        return self._of(LotSitting)

    @property
    def decisions(self) -> list[LotDecision]:
        """Every decision, oldest first."""
        return self._of(LotDecision)

    @cached_property
    def suspects(self) -> list[tuple[str, str]]:
        """(label, what is in question) of each unit whose runs are suspect or confirmed; those cleared are not."""
        return [
            (unit.label, words)
            for unit in self.units
            for run in unit.runs
            if suspect_state(run.path) in (OPEN, CONFIRMED) and (words := suspect_words(run.path))
        ]

    @property
    def reopened(self) -> str:
        """Why the newest decision is in question: units that became suspect since; "" where it stands."""
        if not self.decisions:
            return ""
        at, units = self.decisions[-1].at_utc, []
        for unit in self.units:
            made = [str(one["made_utc"]) for run in unit.runs for one in suspect_entries(run.path) if _counts(one)]
            if any(utc[:19] >= at[:19] for utc in made):
                units.append(unit.label)
        if not units:
            return ""
        verb = "is" if len(units) == 1 else "are"
        return f"reopened: {', '.join(units)} {verb} suspect since the decision of {at[:10]}; decide again"

    @property
    def is_simulated(self) -> bool:
        """Whether its units were simulated."""
        return any(run.header.simulated for run in self.runs)

    def severities(self) -> dict[str, State]:
        """Group -> where its series stands now."""
        from rig.review.lots.series import state_of, states

        found = states(self.book, self.opened.supplier, self.opened.part)
        return {group: state_of(series) for group, series in found.items()}


def _counts(entry: Mapping[str, Any]) -> bool:
    return entry["settled"] is None or entry["settled"]["decision"] != CLEARED
