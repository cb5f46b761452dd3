"""A gauge study at the bench: each unit clamped anew, each clamping measured several times; then what it says is kept.

What is missing is worked out from the runs, so that a study goes on after a break. It prints nothing.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from rig.errors import UsageError
from rig.jobs import run_job as jobs
from rig.jobs.lot.desk import Desk
from rig.records.calibrations import Calibration, Calibrations, calibration_name, reclamping_kind
from rig.records.files import utc_now
from rig.records.store import Store
from rig.review.lots.study import Place, Studied, places_of, runs_by_place
from sequences import full_test, quick_screen


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyPlan:
    """What is measured. request: bench, part, operator; worlds: of a simulated bench, a folder with one a unit."""

    name: str
    units: tuple[str, ...]
    clampings: int
    repeats: int
    screen: bool
    request: jobs.Request
    worlds: Path | None = None

    @property
    def places(self) -> list[Place]:
        """Every place, in the order in which hands meet them."""
        return places_of(self.units, self.clampings, self.repeats)


def measure(store: Store, plan: StudyPlan, desk: Desk) -> int:
    """Measure what is missing; how many runs were made. A unit is asked for at each new clamping. Raises as a run."""
    made, clamped = 0, None
    for unit, clamping, repeat in plan.places:
        if (unit, clamping, repeat) in runs_by_place(store, plan.name):
            continue
        if clamped != (unit, clamping):
            question = f"Take {unit} out if it is in, clamp it anew: clamping {clamping} of {plan.clampings}."
            if desk.ask(question, {"c": "clamped", "e": "end"}) != "c":
                return made
            clamped = (unit, clamping)
        sequence = quick_screen.SEQUENCE.name if plan.screen else full_test.SEQUENCE.name
        one = replace(plan.request, sequence=sequence, serial=unit, job=plan.name)
        if plan.worlds is not None:
            one = replace(one, world=str(plan.worlds / f"{unit}.toml"))
        one = replace(one, clamping=clamping, settings={**one.settings, "repeat": float(repeat)})
        desk.run(one, {"unit": unit, "clamping": clamping, "repeat": float(repeat)})
        made += 1
    return made


def keep_reclamping(store: Store, studied: Studied) -> Path:
    """Keep a whole study's clamping components as the part number's re-clamping scatter on this bench.

    Raises UsageError for a study that is not complete, or was made on several benches.
    """
    if studied.missing or not studied.lines:
        raise UsageError(
            f"study {studied.name}: {len(studied.missing)} places are missing.", next_action="Go on with it first."
        )
    from rig.review.judge import observed_of

    benches = {calibration_name(observed_of(store.find(run)).bench) for run in studied.runs}
    path = Path()
    for bench in sorted(benches):
        made = Calibration(
            kind=reclamping_kind(studied.part),
            bench=bench,
            made_utc=utc_now(),
            data=studied.reclamping(),
            run=" ".join(studied.runs),
        )
        path = Calibrations().save(made)
    return path
