"""The budget behind an uncertainty: one line an influence, largest first when printed.

It knows no measurand by name and no file. Terms: GUM (JCGM 100:2008) 4.2, 4.3, 5.1, H.1.
"""

from __future__ import annotations

from dataclasses import dataclass


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
