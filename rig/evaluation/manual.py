"""What people read elsewhere and typed in: insulation, withstand, visual.

It must never judge. Each entry is a result of its own, marked as manual, with the qualifier that it was given.
"""

from __future__ import annotations

from rig.observed import Observed
from rig.result import Result


def manual_results(obs: Observed) -> list[Result]:
    """The manual entries of a run; a text stays in the note."""
    results = []
    for reading in obs.select("manual"):
        value = reading.value
        number = float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None
        name = str(reading.conditions.get("name") or "manual entry")
        caution = str(reading.conditions.get("caution") or "")
        said = "" if number is not None else str(value)
        results.append(
            Result(
                measurand=name,
                estimate=number,
                unit=reading.unit,
                u=None,
                k=None,
                dof=None,
                qualifier=str(reading.conditions.get("qualifier") or ""),
                conditions={"instrument": str(reading.conditions.get("instrument") or reading.instrument)},
                note="; ".join(part for part in (said, caution) if part),
                manual=True,
            )
        )
    return results
