"""How an estimate becomes a Result: its budget lines are combined, the expanded uncertainty is stated at 95.45 %.

It must never know a formula of a measurand; each evaluation file brings its own lines. Terms: GUM 4.3, 5.1, G.4.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

from rig.description.benches import Device, Spec
from rig.measurands import measurand
from rig.quantity import Scalar
from rig.result import Result
from rig.uncertainty.budget import BudgetLine, combine, largest_first

ARCMIN_PER_RAD = 180.0 * 60.0 / math.pi


def make_result(
    id_: str,
    estimate: float,
    lines: Sequence[BudgetLine],
    conditions: Mapping[str, Scalar] | None = None,
    *,
    qualifier: str = "",
    note: str = "",
) -> Result:
    """A Result in the measurand's own unit from its estimate and its budget (lines already in that unit's terms)."""
    kept = largest_first([line for line in lines if line.contribution > 0.0])
    combined = combine(kept) if kept else None
    return Result(
        measurand=id_,
        estimate=float(estimate),
        unit=measurand(id_).unit,
        u=combined.u if combined else 0.0,
        k=combined.k if combined else 2.0,
        dof=combined.dof if combined else math.inf,
        qualifier=qualifier,
        conditions=dict(conditions or {}),
        budget=kept,
        note=note,
    )


def make_exact(id_: str, value: float, conditions: Mapping[str, Scalar] | None = None, note: str = "") -> Result:
    """A count (pole pairs, direction): no uncertainty once it is a whole number."""
    return Result(
        measurand=id_,
        estimate=float(value),
        unit=measurand(id_).unit,
        u=0.0,
        k=2.0,
        dof=math.inf,
        conditions=dict(conditions or {}),
        note=note,
    )


def make_untested(id_: str, why: str) -> Result:
    """A line that could not be measured, with the reason."""
    return Result(measurand=id_, estimate=None, unit=measurand(id_).unit, u=None, k=None, dof=None, note=why)


def half_width(influence: str, half_width_: float, unit: str, sensitivity: float = 1.0, note: str = "") -> BudgetLine:
    """A rectangular influence by its half-width."""
    return BudgetLine(
        influence=influence,
        u=abs(half_width_) / math.sqrt(3.0),
        unit=unit,
        sensitivity=sensitivity,
        kind="B",
        distribution="rectangular",
        note=note,
    )


def by_scatter(influence: str, u: float, unit: str, dof: float, sensitivity: float = 1.0, note: str = "") -> BudgetLine:
    """A type A influence."""
    return BudgetLine(
        influence=influence,
        u=abs(u),
        unit=unit,
        sensitivity=sensitivity,
        kind="A",
        distribution="t",
        dof=dof,
        note=note,
    )


def scatter(influence: str, u: float, unit: str, sensitivity: float = 1.0, note: str = "") -> BudgetLine:
    """A type A influence of so many readings that its own degrees of freedom do not count."""
    return BudgetLine(influence=influence, u=abs(u), unit=unit, sensitivity=sensitivity, kind="A", note=note)


def standard(influence: str, u: float, unit: str, sensitivity: float = 1.0, note: str = "") -> BudgetLine:
    """A type B influence by its standard uncertainty."""
    return BudgetLine(influence=influence, u=abs(u), unit=unit, sensitivity=sensitivity, note=note)


def specification(
    device: Device, quantity: str, reading: float, range_: float | None, unit: str, influence: str
) -> BudgetLine | None:
    """The bench file's accuracy line of an instrument as an influence; None where the file states nothing."""
    spec = device.spec_of(quantity, range_)
    return None if spec is None else half_width_of(spec, reading, range_, unit, influence)


def half_width_of(spec: Spec, reading: float, range_: float | None, unit: str, influence: str) -> BudgetLine:
    """± (percent of reading + percent of range + absolute): rectangular, or normal when the line states its k."""
    full = spec.range if range_ is None else range_
    width = abs(reading) * spec.percent_reading / 100.0 + (full or 0.0) * spec.percent_range / 100.0 + spec.absolute
    if spec.k is not None:
        return standard(influence, width / spec.k, unit, note=f"k = {spec.k:g} in the bench file")
    return half_width(influence, width, unit, note="bench file")


def times(line: BudgetLine, factor: float, name: str = "") -> BudgetLine:
    """The same influence with its sensitivity multiplied: the chain rule of a budget."""
    return replace(line, sensitivity=line.sensitivity * factor, influence=name or line.influence)
