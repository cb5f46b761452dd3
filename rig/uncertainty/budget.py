"""The budget behind an uncertainty: one line an influence, largest first when printed.

It knows no measurand by name and no file. Terms: GUM (JCGM 100:2008) 4.2, 4.3, 5.1, H.1.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from rig.errors import UsageError
from rig.uncertainty.coverage import coverage_factor, effective_dof
from rig.uncertainty.sameness import same_figure


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetLine:
    """One influence: its own standard uncertainty u in `unit`, sensitivity (output unit per `unit`), dof.

    kind: "A" (by repetition) or "B" (otherwise). distribution: "normal", "rectangular", "triangular", "t", ...
    """

    influence: str
    u: float
    unit: str
    sensitivity: float
    kind: str = "B"
    distribution: str = "normal"
    dof: float = float("inf")
    note: str = ""

    @property
    def contribution(self) -> float:
        """|sensitivity| * u, in the unit of the output."""
        return abs(self.sensitivity) * self.u


@dataclass(frozen=True, slots=True)
class Combined:
    """Combined standard uncertainty u, effective degrees of freedom, coverage factor k and U = k u at 95.45 %."""

    u: float
    dof: float
    k: float
    U: float


def combine(lines: Sequence[BudgetLine]) -> Combined:
    """The lines, whose inputs are independent, as one figure. GUM 5.1.2, G.4.1.

    Raises UsageError for no lines or a negative or non-finite u.
    """
    if not lines:
        raise UsageError("A budget without lines was asked for.", next_action="Name the influences.")
    for line in lines:
        if not (line.u >= 0 and math.isfinite(line.u) and math.isfinite(line.sensitivity)):
            raise UsageError(
                f"Budget line {line.influence!r}: u = {line.u!r}, sensitivity = {line.sensitivity!r}; finite numbers "
                "and u >= 0 were expected.",
                next_action="Correct that influence.",
            )
    parts = [line.contribution for line in lines]
    dof = effective_dof(parts, [line.dof for line in lines])
    u = math.sqrt(math.fsum(part**2 for part in parts))
    k = coverage_factor(dof)
    return Combined(u, dof, k, k * u)


def largest_first(lines: Sequence[BudgetLine]) -> tuple[BudgetLine, ...]:
    """The lines as they are printed. Lines of equal contribution keep their order: their last bits must not decide."""
    sized = sorted(enumerate(lines), key=lambda pair: -pair[1].contribution)
    ordered: list[BudgetLine] = []
    while sized:
        first = sized[0][1].contribution
        equal = sum(same_figure(line.contribution, first) for _, line in sized)
        ordered += [line for _, line in sorted(sized[:equal], key=lambda pair: pair[0])]
        sized = sized[equal:]
    return tuple(ordered)
