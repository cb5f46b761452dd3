"""The bench's health record: lines of a proof kept beside its calibrations, and the page that tells how it stands.

It must never measure: a run of the sequence `prove` does, and rig/evaluation/bench/proof.py reads it. The
record is written
once per proof; later runs carry the newest in their header, so that a report can say when the bench was proven.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.records.calibrations import Calibration, Calibrations

if TYPE_CHECKING:
    from rig.records.run.stored import StoredRun

KIND = "health"
SCHEMA = "anglewright health 1"
VALID_DAYS = 366.0


def keep(run: StoredRun, bench: str, ended_utc: str) -> Path:
    """Evaluate a finished proof and keep its lines; the file. RecordError when it can't be written."""
    from rig.evaluation.evaluated import evaluate
    from rig.review.judge import observed_of

    lines = list(evaluate(observed_of(run)).proof)
    if known := run.header.details.get("known"):
        from rig.records.store import Store
        from rig.review.known_part import against_record

        lines += against_record(Store().find(str(known)), Store())
    data = {
        "schema": SCHEMA,
        "operator": run.header.operator,
        "simulated": run.header.simulated,
        "known": run.header.details.get("known"),
        "rule": "simple acceptance, U beside; not capable where 2 U fills the limits",
        "lines": [line.to_dict() for line in lines],
        "fell_short": [line.id for line in lines if line.verdict == "outside limits"],
        "not_taken": [line.id for line in lines if line.verdict == "not taken"],
        "not_capable": [line.id for line in lines if line.verdict == "not capable"],
    }
    return Calibrations().save(Calibration(kind=KIND, bench=bench, made_utc=ended_utc, data=data, run=run.id))


def health_of(bench: str, now_utc: str) -> dict[str, Any] | None:
    """The newest record of a bench with its age in days; None when it was never proven."""
    kept = history(bench)
    if not kept:
        return None
    newest = kept[-1]
    age = datetime.fromisoformat(now_utc) - datetime.fromisoformat(newest["made_utc"])
    return newest | {"age_days": age.total_seconds() / 86_400.0}


def history(bench: str) -> list[dict[str, Any]]:
    """All records of a bench, oldest first."""
    return [
        {**one.data, "run": one.run, "made_utc": one.made_utc, "path": one.path}
        for one in Calibrations().history(bench, KIND)
    ]


def now_utc() -> str:
    """This moment, UTC."""
    return datetime.now(UTC).isoformat()


def health_sentence(health: Mapping[str, Any] | None) -> str:
    """One sentence on how the bench stands, for `bench check`."""
    if health is None:
        return "bench never proven: anglewright run prove"
    short = health["fell_short"]
    by = f" by {health['operator']}" if health["operator"] else ""
    how = f"fell short: {', '.join(short)}" if short else "nothing fell short"
    ago = f" ({max(health['age_days'], 0.0):.1f} days ago)" if "age_days" in health else ""
    wide = health.get("not_capable")  # records of before the rule have none
    unsure = f"; not capable: {', '.join(wide)}" if wide else ""
    left = f"; not taken: {', '.join(health['not_taken'])}" if health["not_taken"] else ""
    return f"bench proven {health['made_utc'][:10]}{ago}{by}, run {health['run']}: {how}{unsure}{left}"


def page(health: Mapping[str, Any]) -> str:
    """Every line with estimate, U, limits and verdict, and what to look at where one fell."""
    rows = ["SIMULATED"] if health["simulated"] else []
    for line in health["lines"]:
        if line["verdict"] == "not taken":
            rows.append(f"{'not taken':15} {line['text']}")
            continue
        found = line["gone"] or f"{line['estimate']:.6g}"
        expanded = "" if line["U"] is None else f" U {line['U']:.2g}"
        limits = f"{line['lower']:.6g} to {line['upper']:.6g} {line['unit'] if line['unit'] != '1' else ''}".strip()
        rows.append(f"{line['verdict']:15} {line['text']}: {found}{expanded} ({limits})")
        if line["verdict"] == "outside limits":
            rows.append(f"{'':15}   look at: {line['next']}")
        if line["verdict"] == "not capable":
            rows.append(f"{'':15}   U fills the limits: a fresh loopback or better specification lines first")
    return "\n".join([*rows, health_sentence(health)])
