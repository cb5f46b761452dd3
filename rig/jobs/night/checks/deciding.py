"""What a night does about a take of its standards: noted, its interval put in question, stopped where out of control.

The EWMA only warns: it is noted for the morning page and stops nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Protocol

from rig.errors import BenchError, SafetyStop
from rig.jobs.night.checks.standards import mark_suspects
from rig.jobs.night.checks.taking import Retake, judge_take, questions_of
from rig.records.run.stored import StoredRun
from rig.records.store import Store
from rig.review.charts import AS_IT_STANDS, bench_name
from rig.statistics.control_chart import OUT_OF_CONTROL
from sequences import check_standard, prove, retake_standard

STOPPED = "standard-out"  # the code of the stop
TAKERS = (check_standard.SEQUENCE.name, prove.SEQUENCE.name)  # sequences that take the standards
UNSOUND = 3  # exit status of a look that found a standard out of control


class Note(Protocol):
    """Writes a line into the night's journal."""

    def __call__(self, what: str, **data: Any) -> None: ...


class Checks:
    """The standards of one night."""

    def __init__(
        self,
        *,
        note: Note,
        stop: Callable[[SafetyStop], None],
        notify: Callable[[str, Mapping[str, Any]], list[str]],
    ) -> None:
        self._note, self._stop, self._notify = note, stop, notify

    def judge(self, first: StoredRun, look: int, take_again: Retake) -> tuple[str, int]:
        """(what there is to say of the take, exit status of its look). Stops the night where one is out of control."""
        has_short = first.header.bench.get("switch", {}).get("lead_short") is not None
        store = Store()
        status = first.judgement.exit_status if first.judgement is not None else UNSOUND
        try:
            found = judge_take(first, take_again, store, zero_can_be_taken=has_short)
        except BenchError as fault:
            self._note("standards not judged", look=look, run=first.id, why=str(fault))
            return f"standards were outside and could not be taken again: {fault.message}", fault.exit_status
        marked = {one.standard: self._question(store, first, one.standard, one.said) for one in questions_of(found)}
        rows = [{**one.to_dict(), "marked": marked.get(one.standard, [])} for one in found]
        self._note("standards", look=look, run=first.id, rows=rows)
        told = "; ".join(one.sentence for one in questions_of(found))
        if out := [one for one in found if one.said == OUT_OF_CONTROL]:
            figures = {"standards": ", ".join(one.standard for one in out), "look": look, "run": first.id}
            self._stop(SafetyStop(f"a check standard was out of control: {out[0].sentence}.", code=STOPPED))
            refused = self._notify("check standard out of control, the night is stopped", figures)
            self._note("notice", about="check standard out of control", refused=refused)
            status = UNSOUND
        return told, status

    def sequence_for(self, how: str) -> str:
        """Which sequence takes the standards again."""
        sequence = retake_standard.SEQUENCE if how == AS_IT_STANDS else check_standard.SEQUENCE
        return sequence.name

    def details_of(self, first: StoredRun, night: Mapping[str, Any], how: str) -> dict[str, Any]:
        """What the header of a retake carries: of which look and run it is, and the lead zero that still stands."""
        own = {name: value for name, value in night.items() if name != "look"}
        details: dict[str, Any] = {"night": {**own, "look_of": night["look"], "take": how, "of": first.id}}
        zeros = [r.value for r in first.readings if r.quantity == "lead_zero" and r.conditions.get("wires") == 4]
        if how == AS_IT_STANDS and zeros and isinstance(zeros[-1], float):
            details["lead_zero"] = {"of": first.id, "four_wire_ohm": zeros[-1]}
        return details

    def _question(self, store: Store, first: StoredRun, standard: str, said: str) -> list[str]:
        """Runs whose lines were put in question."""
        night = first.header.details.get("night", {})
        who = f"night {night.get('id', '')}" if isinstance(night, Mapping) else "a night"
        return [run for run, _, _ in mark_suspects(store, standard, bench_name(first), who, f"{standard}: {said}")]
