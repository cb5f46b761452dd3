"""What became of fitted units: how many like this were cured, in words with an interval; limits learned from that.

It must never judge. A unit counts once, by its newest outcome. Like this one: same part number, and a test before
fitting that ended alike. Limits from outcomes are learned as those of known-good units are (learning.py), from cured
units only, and have an origin of their own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from rig.description.loading import from_data
from rig.description.parts import PartFile
from rig.errors import UsageError
from rig.records.book.lot_entries import FittingOutcome
from rig.records.book.lots import LotBook
from rig.records.index.history import alike
from rig.records.run.stored import StoredRun
from rig.records.store import Store
from rig.review.library.learning import LEAST_N, LearningRule, LimitSet, Teacher, set_of, values_of
from rig.statistics.small_samples import share_interval

CURED, CAME_BACK = "cured", "came back"
ORIGIN = "outcomes"


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitted:
    """A unit that was fitted, with its newest outcome and the test that it was fitted on."""

    outcome: FittingOutcome
    run: StoredRun

    @property
    def is_cured(self) -> bool:
        """Whether the machine was cured by it."""
        return self.outcome.outcome == CURED


@dataclass(frozen=True, slots=True, kw_only=True)
class Experience:
    """Of `n` units like this, `cured` were; interval of the share at 95 %, exact."""

    n: int
    cured: int
    like: str
    interval: tuple[float, float]

    def __str__(self) -> str:
        """'of 31 like this, 30 cured (95 %: 83.3 to 99.9 %)'."""
        low, high = (f"{100 * end:.1f}" for end in self.interval)
        return f"of {self.n} like this ({self.like}), {self.cured} cured (95 %: {low} to {high} %)"


def fitted_units(store: Store, part: str) -> list[Fitted]:
    """Fitted units of a part number, each once. Outcomes whose run is not in this home are left out."""
    newest: dict[str, FittingOutcome] = {}
    for outcome in LotBook(store).outcomes(part):
        newest[alike(outcome.serial)] = outcome
    runs = ((one, StoredRun(store.folder / one.run)) for one in newest.values() if one.run)
    return [Fitted(outcome=one, run=run) for one, run in runs if run.path.is_dir() and run.judgement is not None]


def experience(store: Store, run: StoredRun) -> Experience | None:
    """What became of units like the one of a run, itself left out; None where none was fitted."""
    part, outcome = str(run.header.part.get("number", "")), run.outcome
    others = [
        one
        for one in fitted_units(store, part)
        if alike(one.run.header.serial) != alike(run.header.serial)
        and one.run.outcome == outcome
        and one.run.header.simulated == run.header.simulated
    ]
    return experience_of([one.is_cured for one in others], f"{part}, {outcome}")


def experience_of(cured: Sequence[bool], like: str) -> Experience | None:
    """The same from the outcomes themselves."""
    n = len(cured)
    return Experience(n=n, cured=sum(cured), like=like, interval=share_interval(sum(cured), n)) if n else None


def limits_from_outcomes(store: Store, part: str, rule: LearningRule | None = None) -> LimitSet:
    """The limits that cured units make. Raises UsageError for fewer than three of them."""
    cured = [one for one in fitted_units(store, part) if one.is_cured]
    if len(cured) < LEAST_N:
        raise UsageError(
            f"{part}: {len(cured)} cured units; {LEAST_N} at least make a limit.",
            next_action="Record what came of fitted units with `anglewright job outcome`.",
        )
    teachers = []
    for one in cured:
        judgement = one.run.judgement
        values, U = values_of([judgement] if judgement is not None else [])
        teachers.append(Teacher(serial=one.run.header.serial, values=values, U=U, rotor=one.run.header.rotor))
    first = cured[0].run.header
    asked = from_data(PartFile, dict(first.part), f"run {cured[0].run.id}, part").excitation
    try:
        made = set_of(part, teachers, rule or LearningRule(), simulated=first.simulated, origin=ORIGIN)
    except ValueError as fault:
        raise UsageError(f"{part}: {fault}.", next_action="Give shares such as 0.99 and 0.95.") from fault
    return replace(made, frequency_hz=asked.frequency_hz, level_v_rms=asked.level_v_rms)
