"""The limits a run is given before its first reading beside its part file's: learned ones, or the shop's fall-back.

A part file's limit always stands. Lines without one take those of the approved version; where the part file has none
at all, sibling symmetry and physical sanity fill what is left, and are named so. The run's header keeps the data
(`freeze`), judging adds them to the part (`fitted`) under the decision rule of the part file, and says as an opinion
whether the unit is like the others. It reads no file.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from rig.quantity import LEARNED_ORIGINS, Limit
from rig.resolver.part import Part
from rig.result import Judged
from rig.review.library.learning import LimitSet

SCHEMA = "anglewright frozen limits 1"
SANITY = "sibling symmetry and physical sanity; no published or learned value"
SAME_LINE = {"error_max_elec_arcmin": "error_max_mech_arcmin", "error_max_mech_arcmin": "error_max_elec_arcmin"}
MAIN = ("r20_exc", "r20_sin", "r20_cos", "tr_sin", "tr_cos")
SWEPT = ("error_max_elec_arcmin",)
AT_REST = ("r20_", "leak_")  # measured the same way whether the rotor is swept or not


def freeze(limits: LimitSet | None, part: Part, *, simulated: bool, swept: bool) -> dict[str, Any] | None:
    """What a run's header keeps, JSON-ready; None when the part file's limits are all there is.

    limits: the approved version for this unit, or None. swept: the run measures as the teachers' full tests did, and
    the largest angle error is a main line; without a sweep only lines at rest are comparable, and learned limits of
    others are left aside. Main lines are required where the part file has no limit of its own.
    """
    note = _not_used(limits, part, simulated)
    used = None if note or limits is None else limits if swept else _at_rest(limits)
    taken = {limit.measurand for limit in part.limits}
    learned = [limit for limit in used.limits if _free(limit.measurand, taken)] if used else []
    taken |= {limit.measurand for limit in learned}
    main = () if part.limits else MAIN + (SWEPT if swept else ())
    rest = [] if part.limits else [limit for limit in fall_back(part.pole_pairs) if _free(limit.measurand, taken)]
    if not learned and not rest and not note:
        return None
    rows = [replace(limit, required=limit.measurand in main) for limit in (*learned, *rest)]
    frozen: dict[str, Any] = {"schema": SCHEMA, "part": part.number, "note": note}
    frozen["limits"] = [{"measurand": limit.measurand, **limit.to_dict()} for limit in rows]
    return frozen | (_source(used) if used else {"version": 0, "n": 0, "predict": {}})


def _at_rest(limits: LimitSet) -> LimitSet:
    kept = tuple(limit for limit in limits.limits if limit.measurand.startswith(AT_REST))
    return replace(
        limits, limits=kept, predict={id_: e for id_, e in limits.predict.items() if id_.startswith(AT_REST)}
    )


def _source(limits: LimitSet) -> dict[str, Any]:
    return {
        "version": limits.version,
        "n": limits.n,
        "without": limits.without,
        "withdrawn": list(limits.withdrawn),
        "provisional": limits.provisional,
        "coverage": limits.rule.coverage,
        "confidence": limits.rule.confidence,
        "rejected": limits.rejected,
        "approved_by": limits.approved_by,
        "approved_utc": limits.approved_utc,
        "predict": {id_: list(ends) for id_, ends in limits.predict.items()},
    }


def _free(id_: str, taken: set[str]) -> bool:
    return id_ not in taken and SAME_LINE.get(id_, id_) not in taken


def _not_used(limits: LimitSet | None, part: Part, simulated: bool) -> str:
    """Why an approved version says nothing about this run; "" when it does, or when there is none."""
    if limits is None:
        return ""
    if limits.simulated != simulated:
        kind = "simulated" if limits.simulated else "real"
        return f"Learned limits, version {limits.version}, come from {kind} units and were not used."
    asked = (part.excitation.frequency_hz, part.excitation.level_v_rms)
    if asked != (limits.frequency_hz, limits.level_v_rms):
        return (
            f"Learned limits, version {limits.version}, hold at {limits.frequency_hz:g} Hz and "
            f"{limits.level_v_rms:g} V and were not used: the part file asks for {asked[0]:g} Hz and {asked[1]:g} V."
        )
    return ""


def add_frozen_limits(part: Part, frozen: Mapping[str, Any] | None) -> Part:
    """The part with the frozen limits behind its own. Another part file given later still takes precedence."""
    if not frozen:
        return part
    taken = {limit.measurand for limit in part.limits}
    added = [Limit(**row) for row in frozen["limits"] if _free(row["measurand"], taken)]
    return replace(part, limits=(*part.limits, *added))


def opinions(judged: Sequence[Judged], frozen: Mapping[str, Any] | None) -> list[str]:
    """Sentences beside the verdicts: where limits come from, and whether the unit is like those known to be good."""
    if not frozen:
        return []
    told = [str(frozen["note"])] if frozen["note"] else []
    used = [line.limit for line in judged if line.limit is not None]
    if frozen["version"] and any(limit.origin in LEARNED_ORIGINS for limit in used):
        told.append(_learned_from(frozen))
        if frozen["withdrawn"]:
            told.append(
                f"Learned from {', '.join(frozen['withdrawn'])} too, withdrawn from the library since: approve the "
                "limits anew."
            )
    if like := like_the_others(judged, frozen):
        told.append(like)
    if any(limit.note == SANITY for limit in used):
        told.append(f"Limits set by the shop's fall-back: {SANITY}.")
    return told


def _learned_from(frozen: Mapping[str, Any]) -> str:
    state = "provisional, " if frozen["provisional"] else ""
    left = f", without {frozen['without']} itself" if frozen["without"] else ""
    return (
        f"Learned limits: from {frozen['n']} parts{left}, version {frozen['version']}, {state}approved by "
        f"{frozen['approved_by']} on {frozen['approved_utc'][:10]}; all lines together reject "
        f"{100 * frozen['rejected']:.1f} % of good parts."
    )


def like_the_others(judged: Sequence[Judged], frozen: Mapping[str, Any]) -> str:
    """The opinion by the prediction interval for one further part; "" when no line can be compared."""
    compared, expected, outside = 0, 0.0, []
    for line in judged:
        r, ends = line.result, frozen["predict"].get(line.measurand)
        if ends is None or r is None or r.estimate is None or r.qualifier or line.verdict.value == "not tested":
            continue
        low, high = ends
        compared += 1
        expected += (1.0 - frozen["confidence"]) * (1.0 if None not in ends else 0.5)
        if (low is not None and r.estimate < low) or (high is not None and r.estimate > high):
            outside.append(line.measurand)
    if not compared:
        return ""
    share = 100 * frozen["confidence"]
    where = f": {', '.join(outside)}" if outside else ""
    return (
        f"Opinion: {len(outside)} of {compared} lines lie outside the {share:g} % prediction interval of the "
        f"{frozen['n']} known-good parts{where}; of a good part about {expected:.1f} are expected to."
    )


def fall_back(pole_pairs: int) -> tuple[Limit, ...]:
    """Limits for a part number nobody knows anything about: siblings alike, and physical sanity; named as such.

    Source: none; workshop custom, told as such (R 5 to 200 ohm, ratio 0.2 to 0.6, leaks 10 Mohm, error 1 deg
    electrical).
    """

    def row(id_: str, lower: float | None, upper: float | None) -> Limit:
        return Limit(measurand=id_, lower=lower, upper=upper, origin="shop fall-back", note=SANITY)

    coils = [row(f"r20_{c}", 5.0, 200.0) for c in ("exc", "sin", "cos")]
    pairs = ("exc_core", "sin_core", "cos_core", "exc_sin", "exc_cos", "sin_cos")
    return (
        *coils,
        row("r20_match", -0.03, 0.03),
        *(row(f"leak_{pair}", 10e6, None) for pair in pairs),
        *(row(f"tr_{c}", 0.2, 0.6) for c in ("sin", "cos")),
        row("tr_imbalance", -0.02, 0.02),
        row("pole_pairs", float(pole_pairs), float(pole_pairs)),
        row("error_max_elec_arcmin", None, 60.0),
    )
