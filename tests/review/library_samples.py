"""Stored runs of a part without limits, made of figures: what a library of known-good units is fed with in tests."""

from __future__ import annotations

from typing import Any

from rig.description.parts import load_part
from rig.records.run.record import RunHeader
from rig.records.run.stored import StoredRun
from rig.records.store import Store
from rig.result import Judged, Judgement, Result
from rig.uncertainty.conformity import Verdict

PART = "PX-1"
GOOD = ((9.00, 12.0), (9.05, 18.0), (8.97, 9.0), (9.02, 14.0), (8.99, 22.0))


def a_part(**changed: Any) -> dict[str, Any]:
    """A part file's dump with no limit of its own."""
    data: dict[str, Any] = load_part("KX4-2207").model_dump(mode="json", by_alias=True)
    return data | {"number": PART, "limits": []} | changed


def a_line(id_: str, value: float, qualifier: str = "", verdict: Verdict = Verdict.NO_LIMIT, **more: Any) -> Judged:
    result = Result(
        measurand=id_, estimate=value, unit="1", u=0.01, k=2.0, dof=50.0, qualifier=qualifier, conditions=more
    )
    return Judged(measurand=id_, result=result, limit=None, verdict=verdict)


def a_judgement(r20: float, error: float, outcome: str = "measured, no limits", *others: Judged) -> Judgement:
    lines = (
        a_line("r20_exc", r20),
        a_line("error_max_elec_arcmin", error),
        a_line("leak_exc_core", 1e8, ">"),
        a_line("direction", 1.0),
        a_line("v_exc_rms", 7.0),
    )
    return Judgement(outcome=outcome, judged=(*lines, *others), reasons=(), findings=())


def kept(store: Store, serial: str, judgement: Judgement, **header: Any) -> StoredRun:
    """A closed run of a unit."""
    told: dict[str, Any] = {"sequence": "full_test", "started_utc": "2026-11-25T08:00:00Z", "serial": serial}
    told |= {"part": a_part(), "simulated": False, "rotor": "own"}
    return store.finish(store.begin(RunHeader(**{**told, **header})), judgement=judgement)
