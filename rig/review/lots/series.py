"""Severity of inspection of a supplier's part, group by group, from the decisions and acts in the book.

It must never know a run. A lot counts once, by its first decision; a lot submitted again and a group tested to 100 %
switch nothing (rig/statistics/severity.py).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rig.errors import UsageError
from rig.records.book.lot_entries import SeverityAct
from rig.records.book.lots import LotBook
from rig.statistics.severity import Act, Inspected, State, after, by_hand


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One event of a group's series. event: the lot's answer or the person's act, in words; state: after it."""

    at_utc: str
    what: str
    event: str
    state: State


def states(book: LotBook, supplier: str, part: str) -> dict[str, list[Step]]:
    """Group -> its series, oldest first. Raises UsageError for an entry that no rule allows."""
    opened = {lot.lot: lot for lot in book.opened()}
    made: dict[str, list[Step]] = {}
    counted: set[str] = set()
    for entry in book.series():
        if isinstance(entry, SeverityAct):
            if (entry.supplier, entry.part) == (supplier, part):
                act = Act(kind=entry.kind, why=entry.why, who=entry.who, limit_number=entry.limit_number)
                _add(made, entry.group, entry.at_utc, f"by {entry.who}", act)
            continue
        lot = opened.get(entry.lot)
        if lot is None or (lot.supplier, lot.part) != (supplier, part) or entry.lot in counted:
            continue
        counted.add(entry.lot)
        for group, found in entry.groups.items():
            one = Inspected(
                lot=entry.lot,
                answer=str(found["answer"]),
                nonconforming=int(found["nonconforming"]),
                original=not lot.file.get("resubmitted"),
                every_unit=bool(found["every_unit"]),
            )
            if one.answer != "open":
                _add(made, group, entry.at_utc, f"lot {entry.lot}", one)
    return made


def _add(made: dict[str, list[Step]], group: str, at_utc: str, what: str, event: Inspected | Act) -> None:
    steps = made.setdefault(group, [])
    state = steps[-1].state if steps else State()
    try:
        state = after(state, event) if isinstance(event, Inspected) else by_hand(state, event)
    except ValueError as fault:
        raise UsageError(f"{group}: {fault}.", next_action="See `anglewright lot supplier NAME`.") from fault
    words = event.answer if isinstance(event, Inspected) else f"{event.kind}: {event.why}"
    steps.append(Step(at_utc=at_utc, what=what, event=words, state=state))


def state_of(series: Sequence[Step]) -> State:
    """Where a group stands now."""
    return series[-1].state if series else State()


def checked_act(book: LotBook, act: SeverityAct) -> State:
    """The state that an act would lead to. Raises UsageError where the rules do not allow it."""
    state = state_of(states(book, act.supplier, act.part).get(act.group, ()))
    try:
        return by_hand(state, Act(kind=act.kind, why=act.why, who=act.who, limit_number=act.limit_number))
    except ValueError as fault:
        raise UsageError(
            f"{act.supplier}, {act.part}, {act.group}: {fault}.", next_action="See `anglewright lot supplier NAME`."
        ) from fault
