"""A take of the bench's standards between two looks of a night: judged by its charts, taken again where one is outside.

Nothing is stopped here and no run is changed: what each standard's take says is returned, with its figures. Which
standards are judged: every line that stands for lines of a part, the lead zero apart, which is the means of the retake.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from rig.records.run.stored import StoredRun
from rig.records.store import Store
from rig.review.charts import AFTER_ZERO, AS_IT_STANDS, Chart, ChartPoint, bench_name, chart, covered_by, standards_of
from rig.statistics.control_chart import IN_CONTROL, OUT_OF_CONTROL, ZERO_WAS_OFF, judge_takes

LEAD_ZERO = "lead_zero_"
Retake = Callable[[str], StoredRun]


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What one standard's take says. values: all takes in their order, in unit; against: what they are held against."""

    standard: str
    said: str
    values: tuple[float, ...]
    unit: str
    against: str
    runs: tuple[str, ...]
    ewma_warns: bool
    zero_can_be_taken: bool

    @property
    def sentence(self) -> str:
        """In words, with all its figures."""
        figures = ", ".join(f"{value:#.7g}" for value in self.values)
        text = f"{self.standard} is {self.said}: {figures} {self.unit}, against {self.against}"
        if self.said == OUT_OF_CONTROL and not self.zero_can_be_taken:
            return f"{text}; no new lead zero was taken: this bench needs a hand for it"
        return text

    def to_dict(self) -> dict[str, Any]:
        """For the night's journal."""
        return {
            "standard": self.standard,
            "said": self.said,
            "values": list(self.values),
            "unit": self.unit,
            "against": self.against,
            "runs": list(self.runs),
            "ewma_warns": self.ewma_warns,
            "zero_can_be_taken": self.zero_can_be_taken,
        }


def judge_take(first: StoredRun, take_again: Retake, store: Store, *, zero_can_be_taken: bool) -> list[Said]:
    """What every standard of a kept take says.

    take_again: a further take, kept, "as it stands" or "after a new lead zero"; one serves all standards that ask for
    it. Raises what take_again raises.
    """
    bench, further = bench_name(first), {AS_IT_STANDS: list[str](), AFTER_ZERO: list[str]()}

    def point(standard: str, run: str) -> ChartPoint:
        return next(one for one in chart(standard, bench, store).points if one.run == run)

    def taker(standard: str, how: str) -> Callable[[], ChartPoint]:
        used = 0

        def take() -> ChartPoint:
            nonlocal used
            if used == len(further[how]):
                further[how].append(take_again(how).id)
            used += 1
            return point(standard, further[how][used - 1])

        return take

    found = []
    for standard in standards_of([first]):
        if standard.startswith(LEAD_ZERO) or not covered_by(standard):
            continue
        before = chart(standard, bench, store)
        taken = judge_takes(
            next(one for one in before.points if one.run == first.id),
            taker(standard, AS_IT_STANDS),
            taker(standard, AFTER_ZERO) if zero_can_be_taken else None,
            lambda one: one.outside,
        )
        found.append(
            Said(
                standard=standard,
                said=taken.said,
                values=tuple(one.value for one in taken.values),
                unit=before.unit,
                against=_limits(before, taken.values[0]),
                runs=tuple(one.run for one in taken.values),
                ewma_warns=bool(before.ewma) and before.ewma[-1].outside,
                zero_can_be_taken=zero_can_be_taken,
            )
        )
    return found


def questions_of(found: list[Said]) -> list[Said]:
    """Those whose interval is in question: out of control, or taken with a lead zero that was off."""
    return [one for one in found if one.said in (OUT_OF_CONTROL, ZERO_WAS_OFF)]


def is_quiet(one: Said) -> bool:
    """Nothing to say of it: in control at once."""
    return one.said == IN_CONTROL and len(one.values) == 1 and not one.ewma_warns


def _limits(of: Chart, point: ChartPoint) -> str:
    if of.frozen is None:
        return f"{point.against} ({len(of.points)} of 20 takes for a baseline)"
    return f"{of.frozen.lower:.7g} to {of.frozen.upper:.7g} {of.unit}".strip()
