"""`run reclock` and `run recheck`: a master's rotor turned on the spindle, the axis' orders kept for later runs.

The guided set runs the sequence `reclock` once a place; the bench is safe and closed while hands are at the spindle.
Each place is a kept run of its own, so a set that was cut short goes on with `--of`. What is kept is applied on reports
once a second part agreed; until then it is shown. A set that was kept before, of the same axis, is the check of the
next one by itself.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.control.step import Progress
from rig.description.parts import load_part
from rig.errors import UsageError
from rig.jobs import run_job as jobs
from rig.records.calibrations import Calibration, Calibrations, calibration_name
from sequences.reclock import SEQUENCE

if TYPE_CHECKING:
    from rig.evaluation.bench.axis_check import Belief, Check, Recheck
    from rig.evaluation.bench.reclock import Reclocking

SCHEMA = "anglewright reclock 1"
RECHECK_SCHEMA = "anglewright recheck 1"
POSITIONER, RECHECK = "positioner", "recheck"
ANEW_CLAMPING, ANEW_STATOR_DEG = 51, 37.0  # of the simulated bench: the stator clamped anew, turned
Ask = Callable[[int, int, float], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reclocked:
    """A set evaluated: its runs, what it found, the check with a second part if there was one, the file kept ("" where
    the set was refused)."""

    runs: tuple[str, ...]
    found: Reclocking
    check: Check | None
    belief: Belief | None
    data: Mapping[str, Any]
    file: str
    days: float

    @property
    def is_applied(self) -> bool:
        """Whether reports apply it from now on."""
        return bool(self.file and self.data["checked_with"])

    def document(self) -> dict[str, Any]:
        """The --json document: numbers unrounded, mechanical and electrical said in every key."""
        found = self.found
        return {
            "schema": SCHEMA,
            "runs": list(self.runs),
            "positioner": dict(self.data),
            "refused": [{"name": one.name, "text": one.text} for one in found.refusals],
            "uneven_mech_deg": found.uneven_mech_deg,
            "motor_moved_mech_arcmin": found.moved_mech_arcmin,
            "first_again_elec_arcmin": found.first_again_elec_arcmin,
            "drift_elec_arcmin": found.drift_elec_arcmin,
            "E_n": {} if self.belief is None else {str(n): value for n, value in self.belief.differences.items()},
            "agrees_with_second_part": None if self.belief is None else self.belief.agrees,
            "applied": self.is_applied,
            "kept_for_days": self.days if self.file else None,
            "file": self.file,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Rechecked:
    """A recheck evaluated and kept; in_a_row: how many, this one included, went beyond one after the other."""

    runs: tuple[str, ...]
    found: Recheck
    in_a_row: int
    file: str

    def document(self) -> dict[str, Any]:
        """The --json document."""
        return {
            "schema": RECHECK_SCHEMA,
            "runs": list(self.runs),
            **self.found.to_data(),
            "in_a_row": self.in_a_row,
            "file": self.file,
        }


def run_places(
    request: jobs.Request,
    places_mech_deg: Sequence[float],
    ask: Ask,
    on_progress: Callable[[Progress], None] = lambda _: None,
    *,
    stator_anew: bool = False,
) -> list[str]:
    """Run a master at places of its rotor; the runs' ids. ask(number, of, place_mech_deg): returns when it is there.

    stator_anew: its stator was clamped anew, turned, since the set before. Raises UsageError before anything is opened
    for a master of fewer than four pole pairs.
    """
    from rig.evaluation.bench.reclock import CLOCK, check_master

    check_master(load_part(request.part).pole_pairs)
    first = request.clamping + (ANEW_CLAMPING - 1 if stator_anew else 0)
    runs = []
    for number, place in enumerate(places_mech_deg, start=1):
        ask(number, len(places_mech_deg), place)
        hands: dict[str, str | float | bool] = {"holder.rotor_deg": place, "holder.stator_clamping": float(first)}
        if stator_anew:
            hands["holder.angle_deg"] = ANEW_STATOR_DEG
        one = replace(
            request,
            sequence=SEQUENCE.name,
            clamping=first + number - 1,
            entries=(*request.entries, f"{CLOCK}={place:.4f} deg"),
            settings={**request.settings, **hands},
        )
        runs.append(jobs.run_job(one, on_progress).stored.id)
    return runs


def evaluate_set(runs: Sequence[str], check: Sequence[str] = (), *, stator_anew: bool = False) -> Reclocked:
    """The axis by kept runs of a set, checked with other runs or with the set kept before; kept unless refused."""
    from rig.evaluation.bench.axis_check import compare_orders, to_data
    from rig.evaluation.bench.reclock import evaluate_places
    from rig.review.judge import observe_runs

    seen = observe_runs(runs)
    found = evaluate_places(seen)
    name, bench = calibration_name(seen[0].bench), seen[0].bench
    second = _check(found, check or _set_before(name, found, runs, stator_anew=stator_anew))
    belief = None if second is None else compare_orders(found, second)
    data = to_data(found, second, belief)
    file = "" if found.refusals else str(Calibrations().add(name, POSITIONER, data, runs))
    days = bench.axis.correction_days if bench.axis else 0.0
    return Reclocked(runs=tuple(runs), found=found, check=second, belief=belief, data=data, file=file, days=days)


def _check(found: Reclocking, runs: Sequence[str]) -> Check | None:
    from rig.evaluation.bench.axis_check import check_by_encoder, check_by_set
    from rig.evaluation.bench.reclock import evaluate_places
    from rig.review.judge import observe_runs

    if not runs:
        return None
    seen = observe_runs(runs)
    if len(seen) == 1:
        return check_by_encoder(found, seen[0], runs[0])
    return check_by_set(found, evaluate_places(seen), runs)


def _set_before(name: str, found: Reclocking, runs: Sequence[str], *, stator_anew: bool) -> list[str]:
    """The runs of the set kept last, where it is a check of this one: of another master, or of the same with its stator
    clamped anew. None of the same axis, or the same set once more: no runs."""
    from rig.evaluation.bench.axis_check import METHOD

    kept = Calibrations().newest(name, POSITIONER)
    if kept is None or kept.data.get("method") != METHOD or kept.data.get("tied") != dict(found.tied):
        return []
    same = (kept.data.get("part"), kept.data.get("serial")) == (found.part, found.serial)
    before = kept.run.split()
    return [] if (same and not stator_anew) or set(before) & set(runs) else before


def recheck_places_mech_deg() -> tuple[float, float]:
    """Where a recheck turns the rotor to."""
    return (0.0, 120.0)


def evaluate_recheck(runs: Sequence[str]) -> Rechecked:
    """Two kept runs of a master against the correction in force; kept. Raises UsageError without a correction."""
    from rig.evaluation.bench.axis_check import METHOD, compare_with_kept
    from rig.review.judge import observe_runs

    seen = observe_runs(runs)
    name = calibration_name(seen[0].bench)
    kept = kept_correction(name)
    if kept is None or kept.data.get("method") != METHOD:
        raise UsageError("there is no axis to recheck: none was reclocked here.", next_action="Run `run reclock`.")
    found = compare_with_kept(seen, kept.data)
    before = [one for one in Calibrations().history(name, RECHECK) if one.made_utc >= kept.made_utc]
    in_a_row = 0
    if found.beyond:
        in_a_row = 1 + next((i for i, one in enumerate(reversed(before)) if not one.data["beyond"]), len(before))
    data = found.to_data() | {"in_a_row": in_a_row, "of": kept.run}
    file = str(Calibrations().add(name, RECHECK, data, runs))
    return Rechecked(runs=tuple(runs), found=found, in_a_row=in_a_row, file=file)


def void(name: str, why: str, by: str) -> Path:
    """Leave the correction in force aside from now on, for a reason that a person saw (coupling opened, crash, another
    index disc); the file. Raises UsageError where there is none."""
    kept = kept_correction(name)
    if kept is None:
        raise UsageError("there is no correction to void: none is kept here.", next_action="Run `run reclock`.")
    data = {"moved_mech_arcmin": {}, "beyond": True, "in_a_row": 0, "of": kept.run, "void": why, "by": by}
    return Calibrations().add(name, RECHECK, data, ())


def kept_correction(name: str) -> Calibration | None:
    """The newest correction of a bench's axis, whatever its age."""
    return Calibrations().newest(name, POSITIONER)
