"""One piece of a hunt, read from its kept run: how warm the coil was, and which coil was lost, when and how warm.

Over all pieces of a night: drop-outs joined where a piece ends in one, copper's slope, each in words. The temperature
is the coil's own resistance against its resistance at 20 degC (rig/resolver/winding.py). It measures nothing.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from rig.certificate.words.phrase import phrase
from rig.evaluation.bench.watching import hold_of
from rig.jobs.night.checks.sentence import Sentence
from rig.records.run.stored import StoredRun
from rig.resolver import winding

PIECE_S = 60.0
COPPER_PCT_K = 100.0 / (winding.COPPER_CONSTANT_DEGC + 20.0)  # of the resistance at 20 degC, a kelvin


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


# ---- a hunt in words ---------------------------------------------------------------------------------------


def drop_outs(pieces: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Drop-outs over all pieces of a hunt; one that a piece ends in and the next begins with is one."""
    found: list[dict[str, Any]] = []
    still: dict[str, dict[str, Any]] = {}
    for piece in pieces:
        carried, still = still, {}
        for out in piece["lost"]:
            one = carried.pop(str(out["coil"]), None)
            if one is None:
                one = {**out, "run": piece["run"], "leg": piece["leg"]}
                found.append(one)
            else:
                one.update(s=one["s"] + out["s"], end_degc=out["end_degc"], open_at_end=out["open_at_end"])
            if out["open_at_end"]:
                still[str(out["coil"])] = one
    return found


def temperatures(lost: Sequence[Mapping[str, Any]]) -> str:
    """Between which temperatures drop-outs began and ended."""
    known = [float(one["degc"]) for one in lost if one.get("degc") is not None]
    ends = [float(one["end_degc"]) for one in lost if one.get("end_degc") is not None]
    if not known:
        return phrase("at a temperature that is not known")
    low, high = min([*known, *ends]), max(known)
    if high - low < 0.05:
        return phrase("at {n} degC", n=f"{high:.1f}")
    return phrase("between {n} and {nb} degC", n=f"{low:.1f}", nb=f"{high:.1f}")


def copper_sentences(pieces: Sequence[Mapping[str, Any]]) -> list[Sentence]:
    """Slope of each coil's resistance, % of its value at 20 degC a kelvin; U from the scatter of the line."""
    points: dict[str, list[tuple[float, float]]] = {}
    for piece in pieces:
        for degc, ohms in piece["points"]:
            for coil, ohm in ohms.items():
                points.setdefault(coil, []).append((float(degc), float(ohm)))
    found = []
    for coil, pairs in points.items():
        fitted = _line(pairs)
        if fitted is not None:
            slope, u = fitted
            told = phrase(
                "{coil} coil {n} %/K, U {nb} (copper {nc}), {nd} points",
                coil=coil,
                n=f"{slope:.4f}",
                nb=f"{2.0 * u:.4f}",
                nc=f"{COPPER_PCT_K:.3f}",
                nd=str(len(pairs)),
            )
            found.append(Sentence(part="copper", text=told))
    return found


def _line(pairs: Sequence[tuple[float, float]]) -> tuple[float, float] | None:
    n = len(pairs)
    mean_t = math.fsum(t for t, _ in pairs) / n if n else 0.0
    spread = math.fsum((t - mean_t) ** 2 for t, _ in pairs)
    if n < 3 or spread < 25.0:
        return None
    mean_r = math.fsum(r for _, r in pairs) / n
    slope = math.fsum((t - mean_t) * (r - mean_r) for t, r in pairs) / spread
    residual = math.fsum((r - mean_r - slope * (t - mean_t)) ** 2 for t, r in pairs)
    r20 = mean_r + slope * (20.0 - mean_t)
    return 100.0 * slope / r20, 100.0 * math.sqrt(residual / (n - 2) / spread) / r20


def lost_sentences(lost: Sequence[Mapping[str, Any]]) -> list[Sentence]:
    """Drop-outs coil by coil: how many, how long, between which temperatures, first and last."""
    found = []
    for coil in sorted({str(one["coil"]) for one in lost}):
        own = [one for one in lost if one["coil"] == coil]
        total_s = sum(float(one["s"]) for one in own)
        text = phrase(
            "{a} coil: {n} drop-outs, {nb} s in all, {where}, first {b}, last {c}",
            a=coil,
            n=str(len(own)),
            nb=f"{total_s:.1f}",
            where=temperatures(own),
            b=_minute(str(own[0]["utc"])),
            c=_minute(str(own[-1]["utc"])),
        )
        found.append(Sentence(part="drop-outs", text=text, of=tuple(dict.fromkeys(str(o["run"]) for o in own))))
    return found


def _minute(utc: str) -> str:
    """A time to the second."""
    return utc[:19].replace("T", " ") + " UTC" if len(utc) > 18 else utc
