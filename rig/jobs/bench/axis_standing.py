"""How a bench's axis stands: its correction, what checked it, its rechecks, and the mean of the parts since then.

It must never measure. What is left of once and twice a turn is each part's own; over ten parts at any clock it averages
out, so that their mean shows an axis that moved, free of any extra run (rig/resolver/README.md, 4).
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Mapping
from typing import Any

from rig.jobs.bench.reclock import POSITIONER, RECHECK
from rig.records.calibrations import Calibration, Calibrations
from rig.records.run.stored import StoredRun
from rig.records.store import Store
from rig.resolver.axis.rotor_places import LEAST_POLE_PAIRS

PARTS, LOOKED_AT = 10, 80
MEAN_MECH_ARCMIN: Mapping[int, float] = {1: 0.2, 2: 0.05}
RECHECK_DAYS = 8.0


def axis_standing(bench: str, now_utc: str, days: float) -> dict[str, Any] | None:
    """What is kept of a bench's axis and how it stands; None where nothing is. days: how long a correction lasts."""
    kept = Calibrations().newest(bench, POSITIONER)
    if kept is None:
        return None
    rechecks = [one for one in Calibrations().history(bench, RECHECK) if one.made_utc >= kept.made_utc]
    newest = rechecks[-1] if rechecks else None
    looked = newest.age_days(now_utc) if newest else kept.age_days(now_utc)
    checked = kept.data.get("checked_with") or {}
    means = mean_of_parts(kept)
    reasons = []
    if not checked:
        reasons.append("no second part has agreed with it yet")
    if not kept.in_force(now_utc, days):
        reasons.append(f"older than {days:.0f} days")
    if newest is not None and newest.data["beyond"]:
        void = newest.data.get("void")
        reasons.append(f"it was made void: {void}" if void else "its newest recheck went beyond the limits")
    moved = [n for n, mean in means.items() if mean > MEAN_MECH_ARCMIN[n]]
    return {
        "made_utc": kept.made_utc,
        "age_days": kept.age_days(now_utc),
        "method": kept.data.get("method", "stator turned"),
        "master": f"{kept.data.get('part', '')} {kept.data.get('serial', '')}".strip(),
        "checked_with": checked.get("what") or (", ".join(checked.get("runs") or ()) or None),
        "applied": not reasons,
        "why_not": reasons,
        "orders": [row["order"] for row in kept.data["orders"] if row["applied"]],
        "temperature_degc": kept.data.get("temperature_degc"),
        "rechecked_utc": newest.made_utc if newest else None,
        "recheck_due": looked > RECHECK_DAYS or bool(moved),
        "mean_of_parts_mech_arcmin": {str(n): mean for n, mean in means.items()},
        "path": kept.path,
    }


def mean_of_parts(kept: Calibration) -> dict[int, float]:
    """order -> size of the mean of what the last ten parts of four pole pairs or more had left, mechanical arcmin;
    empty while fewer went over this correction."""
    left: dict[str, dict[int, complex]] = {}
    store = Store()
    for found in store.list(LOOKED_AT):
        if len(left) == PARTS:
            break
        if found.serial not in left and (own := _left_orders(store.find(found.run), kept)):
            left[found.serial] = own
    if len(left) < PARTS:
        return {}
    return {n: abs(sum(one[n] for one in left.values())) / PARTS for n in MEAN_MECH_ARCMIN}


def _left_orders(run: StoredRun, kept: Calibration) -> dict[int, complex]:
    """order -> what a run had left beside this correction; empty where it was not made under it, or shows no more."""
    header = run.header
    under = ((header.calibration or {}).get(POSITIONER) or {}).get("run")
    pole_pairs = int(header.part.get("pole_pairs") or 0)
    if under != kept.run or pole_pairs < LEAST_POLE_PAIRS or run.judgement is None:
        return {}
    rows = {line.measurand: line.result for line in run.judgement.judged if line.result is not None}
    found = {}
    for n in MEAN_MECH_ARCMIN:
        result = rows.get(f"order_{n}_mech_arcmin")
        if result is None or result.estimate is None or "phase_deg" not in result.conditions:
            return {}
        found[n] = cmath.rect(result.estimate, math.radians(float(str(result.conditions["phase_deg"]))))
    return found


def axis_sentence(standing: Mapping[str, Any] | None) -> str:
    """One sentence on how the axis stands, for `bench check`."""
    if standing is None:
        return "axis as the bench file states it: anglewright run reclock narrows once a turn"
    made = f"axis found {standing['made_utc'][:10]} with {standing['master']}"
    if not standing["applied"]:
        return f"{made}, not applied: {'; '.join(standing['why_not'])}"
    looked = f"rechecked {standing['rechecked_utc'][:10]}" if standing["rechecked_utc"] else "not rechecked since"
    means = standing["mean_of_parts_mech_arcmin"]
    parts = f"; mean of the last ten parts {means['1']:.2f}' mech once a turn" if means else ""
    due = "; run recheck now" if standing["recheck_due"] else ""
    orders = ", ".join(map(str, standing["orders"]))
    return f"{made}, checked with {standing['checked_with']}, orders {orders} applied; {looked}{parts}{due}"
