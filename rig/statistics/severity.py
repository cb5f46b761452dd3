"""Severity of inspection from lot to lot: normal, tightened, reduced, and when inspection stops.

It must never know a supplier, a part or a date: it is given the lots of one series in their order. Only original
inspection counts; a lot that is submitted again, and a group that is tested to 100 %, switch nothing.
Source: MIL-STD-105E (1989) 4.7.1 to 4.7.4, 4.8, 4.9. Table VIII (limit numbers) does not stand in this repository:
whoever asks for reduced inspection gives the number of his copy, or says that both sides agreed to drop it (4.9).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

OF_FIVE = 5  # consecutive lots that are looked at for tightening, and that relax it again
TWO = 2  # of them not accepted tighten
TEN = 10  # lots on normal inspection before reduced may be asked for
STOP_AT = 5  # lots not accepted while on tightened inspection


@dataclass(frozen=True, slots=True, kw_only=True)
class Inspected:
    """One lot as it was decided by its plan. answer: as Plan.answer; nonconforming: units found in its sample.

    original: False for a lot that is submitted again; every_unit: its plan was 100 %.
    """

    lot: str
    answer: str
    nonconforming: int = 0
    original: bool = True
    every_unit: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Act:
    """What a person decides. kind: "reduce" (steady production, wanted), "normal" (production irregular, or other
    conditions, 4.7.4 c and d), "resume" (the supplier has corrected, 4.8). limit_number: of table VIII for the lots
    counted, None when both sides agreed to drop it."""

    kind: str
    why: str
    who: str
    limit_number: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """Where a series stands. severity; stopped: no lot is accepted by a plan until the supplier has corrected.

    lots: of the present stretch, oldest first (answers); refused: not accepted in the present stretch on tightened;
    found: nonconforming units in the samples of the last ten; why: the rule that led here.
    """

    severity: str = "normal"
    stopped: bool = False
    lots: tuple[Inspected, ...] = ()
    refused: int = 0
    why: str = "4.6.1: inspection begins as normal"

    @property
    def nonconforming(self) -> int:
        """Nonconforming units in the samples of the last ten lots of this stretch."""
        return sum(lot.nonconforming for lot in self.lots[-TEN:])

    @property
    def may_reduce(self) -> bool:
        """4.7.3 a: ten lots on normal inspection, all accepted; b to d are a person's (`reduce`)."""
        last = self.lots[-TEN:]
        return self.severity == "normal" and len(last) == TEN and all(is_accepted(lot) for lot in last)


def is_accepted(lot: Inspected) -> bool:
    """Accepted by its plan, the gap of the reduced table included."""
    return lot.answer.startswith("accepted")


def after(state: State, lot: Inspected) -> State:
    """The state after one lot. Raises ValueError where inspection has stopped: a person resumes it first."""
    if not lot.original or lot.every_unit:
        return state
    if state.stopped:
        raise ValueError(f"lot {lot.lot}: inspection of this series has stopped (4.8); the supplier corrects first")
    lots = (*state.lots, lot)
    if state.severity == "normal":
        bad = [one for one in lots[-OF_FIVE:] if not is_accepted(one)]
        if len(bad) >= TWO:
            return State(
                severity="tightened", why=f"4.7.1: {bad[-2].lot} and {bad[-1].lot} not accepted within five lots"
            )
        return replace(state, lots=lots)
    if state.severity == "tightened":
        refused = state.refused + (not is_accepted(lot))
        if refused >= STOP_AT:
            return replace(
                state, lots=lots, refused=refused, stopped=True, why="4.8: five lots not accepted on tightened"
            )
        if len(lots) >= OF_FIVE and all(is_accepted(one) for one in lots[-OF_FIVE:]):
            return State(severity="normal", why="4.7.2: five lots in a row accepted on tightened")
        return replace(state, lots=lots, refused=refused)
    if lot.answer == "accepted":
        return replace(state, lots=lots)
    rule = "4.7.4 a: not accepted" if lot.answer == "not accepted" else "4.7.4 b: accepted between Ac and Re"
    return State(severity="normal", why=f"{rule} ({lot.lot})")


def by_hand(state: State, act: Act) -> State:
    """The state after a person's act. Raises ValueError where the rules do not allow it."""
    if not act.why.strip() or not act.who.strip():
        raise ValueError("an act on the severity needs its reason and a name")
    if act.kind == "reduce":
        if not state.may_reduce:
            raise ValueError(
                f"4.7.3 a: ten lots in a row accepted on normal inspection are needed, not {len(state.lots)}"
            )
        if act.limit_number is not None and state.nonconforming > act.limit_number:
            raise ValueError(
                f"4.7.3 b: {state.nonconforming} nonconforming in ten lots, the limit number is {act.limit_number}"
            )
        limit = "4.9: limit number dropped by both sides" if act.limit_number is None else f"limit {act.limit_number}"
        return State(severity="reduced", why=f"4.7.3: {act.why} ({act.who}; {limit})")
    if act.kind == "normal":
        if state.severity != "reduced":
            raise ValueError(f"4.7.4: only reduced inspection is ended by a person, not {state.severity}")
        return State(severity="normal", why=f"4.7.4 c, d: {act.why} ({act.who})")
    if act.kind == "resume":
        if not state.stopped:
            raise ValueError("4.8: inspection has not stopped")
        return State(severity="tightened", why=f"4.8: resumed as tightened, {act.why} ({act.who})")
    raise ValueError(f"no act called {act.kind!r}: reduce, normal or resume")


def walk(events: Iterable[Inspected | Act]) -> list[State]:
    """The state after each event, from normal inspection on."""
    states, state = [], State()
    for event in events:
        state = after(state, event) if isinstance(event, Inspected) else by_hand(state, event)
        states.append(state)
    return states
