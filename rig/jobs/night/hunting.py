"""One piece of a hunt, read from its kept run: how warm the coil was, and which coil was lost, when and how warm.

The temperature is the coil's own resistance against its resistance at 20 degC (rig/resolver/winding.py). It measures
nothing.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import asdict, dataclass
from typing import Any

from rig.evaluation.bench.watching import hold_of
from rig.records.run.stored import StoredRun
from rig.resolver import winding

PIECE_S = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """degc: at its end, by the coil; None where that coil was never read. means: coil -> (ohm, degC of that time)."""

    degc: float | None
    first_degc: float | None
    lost: tuple[dict[str, Any], ...]
    points: tuple[tuple[float, dict[str, float]], ...]
    blind_s: float

    def to_dict(self) -> dict[str, Any]:
        """For the night's journal."""
        return asdict(self)


def piece_of(run: StoredRun, coil: str, r20_ohm: float) -> Piece:
    """What a piece of a hunt shows. coil: the one whose resistance tells the temperature."""
    readings = [one for one in run.readings if one.quantity == "watch_resistance"]
    own = [
        (one.bench_time_s, one.number()) for one in readings if one.conditions.get("coil") == coil and not one.overload
    ]
    times = [at_s for at_s, _ in own]

    def degc_at(at_s: float) -> float | None:
        if not own:
            return None
        return winding.degc_at(own[min(bisect_left(times, at_s), len(own) - 1)][1], r20_ohm)

    holds = hold_of(readings)
    lost = tuple(
        {
            "coil": name,
            "utc": out.begin_utc,
            "s": round(out.end_s - out.begin_s, 3),
            "degc": degc_at(out.begin_s),
            "end_degc": degc_at(out.end_s),
            "open_at_end": out.open,
        }
        for name, hold in holds.items()
        for out in hold.drop_outs
    )
    points = []
    if (degc := degc_at(times[len(times) // 2]) if times else None) is not None:
        points.append((degc, {name: hold.reference for name, hold in holds.items() if hold.reference is not None}))
    return Piece(
        degc=degc_at(times[-1]) if times else None,
        first_degc=degc_at(times[0]) if times else None,
        lost=lost,
        points=tuple(points),
        blind_s=max((hold.blind_s for hold in holds.values()), default=0.0),
    )
