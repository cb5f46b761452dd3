"""`run remount`: one part clamped at several angles, its axis' correction kept for later runs.

The guided set runs the sequence `remount` once a clamping; the bench is safe and closed while hands are in the
fixture. Each clamping is a kept run of its own, so a set that was cut short goes on with `run remount --of`. What is
kept: the axis' correction (where the part seats well enough) and how the part number's lines come back.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from rig.control.step import Progress
from rig.description.parts import load_part
from rig.jobs import run_job as jobs
from rig.records.calibrations import Calibrations, calibration_name, reclamping_kind
from sequences.remount import SEQUENCE

if TYPE_CHECKING:
    from rig.evaluation.bench.reclamping import Reproducibility
    from rig.evaluation.bench.remount import Remounting
    from rig.resolver.axis.positioner import Agreement

SCHEMA = "anglewright remount 1"


@dataclass(frozen=True, slots=True, kw_only=True)
class Remounted:
    """A set evaluated: runs by id, the separation, re-clamping scatter, the check with a second part, files kept."""

    runs: tuple[str, ...]
    found: Remounting
    lines: tuple[Reproducibility, ...]
    agreement: Agreement | None
    files: dict[str, str]
    kept_for_days: float

    def document(self) -> dict[str, Any]:
        """The --json document: numbers unrounded, mechanical and electrical said in every key."""
        data = self.found.to_data()
        sensor = self.found.separation.sensor
        p, arcmin = self.found.pole_pairs, math.pi / 10_800.0
        return {
            "schema": SCHEMA,
            "runs": list(self.runs),
            "positioner": data,
            "sensor_orders": [
                {
                    "order": n,
                    "amplitude_elec_arcmin": sensor.amplitude(n) * p / arcmin,
                    "u_elec_arcmin": sensor.u_amplitude(n) * p / arcmin,
                    "phase_mech_rad": sensor.phase_rad(n),
                }
                for n in sensor.orders
                if n not in data["unobservable"]
            ],
            "holds": self.found.holds,
            "kept_for_days": self.kept_for_days if "positioner" in self.files else None,
            "agrees_with_second_part": None if self.agreement is None else self.agreement.agree,
            "disagreeing_orders": [] if self.agreement is None else list(self.agreement.disagreeing),
            "reclamping": [line.to_dict() for line in self.lines],
            "files": self.files,
        }

    def text(self) -> str:
        """A page for the terminal."""
        doc = self.document()
        data = doc["positioner"]
        offsets = ", ".join(f"{offset:.3f}" for offset in data["offsets_mech_deg"])
        seen = "found" if data["reseat_seen"] else "assumed: two clampings can't show it"
        rows = [
            f"{data['clampings']} clampings of {data['part']} {data['serial']}",
            f"offsets read from the sensor: {offsets} deg mech",
            f"re-seating scatter {data['reseat_mech_arcmin']:.3f}' mech ({seen}); the result holds up to "
            f"{data['reseat_limit_mech_arcmin']:.3f}' mech an order",
            f"orders that these offsets can't divide: {', '.join(map(str, data['unobservable'])) or 'none'}; "
            "once a turn never can be",
            "",
            "axis, orders a turn that are corrected (mechanical arcmin)",
        ]
        for row in data["orders"]:
            if row["applied"]:
                size, u = (
                    x * 10_800.0 / math.pi for x in (abs(complex(*row["coefficient_mech_rad"])), row["u_mech_rad"])
                )
                rows.append(f"  order {row['order']:>4}   {size:8.3f}   U {2 * u:.3f}")
        rows += ["", "sensor (electrical arcmin)"]
        strong = [s for s in doc["sensor_orders"] if s["amplitude_elec_arcmin"] > 3.0 * s["u_elec_arcmin"]]
        rows += [
            f"  order {s['order']:>4}   {s['amplitude_elec_arcmin']:8.3f}   U {2 * s['u_elec_arcmin']:.3f}"
            for s in strong
        ]
        if self.agreement is not None:
            said = "agrees" if self.agreement.agree else f"differs at orders {list(self.agreement.disagreeing)}"
            rows += ["", f"second part: the axis {said}"]
        rows += ["", *(f"kept {kind}: {path}" for kind, path in self.files.items())]
        if "positioner" not in self.files:
            rows.append(f"axis not kept: {self.why_not()}")
        return "\n".join(rows)

    def why_not(self) -> str:
        """Why the correction was not kept; "" when nothing speaks against it."""
        if self.agreement is not None and not self.agreement.agree:
            return "the second part does not find the same axis; repeat the set, and check that nothing slips"
        if not self.found.holds:
            return (
                "the part seats too differently from clamping to clamping; use one that seats better, or five clampings"
            )
        return ""


def run_clampings(
    request: jobs.Request,
    clampings: int,
    ask: Callable[[int, int, float], None],
    on_progress: Callable[[Progress], None] = lambda _: None,
) -> list[str]:
    """Run a set of clampings; the runs' ids. ask(number, of, offset_mech_deg): returns when the part is clamped so.

    Raises UsageError before anything is opened for a number of clampings for which no good offsets are known.
    """
    from rig.evaluation.bench.remount import OFFSET
    from rig.resolver.axis.clampings import choose_offsets_mech_rad

    offsets = choose_offsets_mech_rad(clampings, load_part(request.part).pole_pairs)
    runs = []
    for number, offset in enumerate((math.degrees(x) for x in offsets), start=1):
        ask(number, clampings, offset)
        entries = (*request.entries, f"{OFFSET}={offset:.4f} deg")
        one = replace(request, sequence=SEQUENCE.name, clamping=number, entries=entries)
        runs.append(jobs.run_job(one, on_progress).stored.id)
    return runs


def evaluate_set(runs: Sequence[str], check: Sequence[str] = ()) -> Remounted:
    """Separate kept runs of a set (and of a second part's set), and keep what stands."""
    from rig.evaluation.bench.reclamping import reproducibility, to_data
    from rig.evaluation.bench.remount import compare_axes, separate_runs
    from rig.evaluation.evaluated import evaluate
    from rig.review.judge import observe_runs

    seen = observe_runs(runs)
    found = separate_runs(seen)
    agreement = compare_axes(found, separate_runs(observe_runs(check))) if check else None
    lines = tuple(reproducibility([evaluate(obs).results for obs in seen]))
    bench = seen[0].bench
    done = Remounted(
        runs=tuple(runs),
        found=found,
        lines=lines,
        agreement=agreement,
        files={},
        kept_for_days=bench.axis.correction_days if bench.axis else 0.0,
    )
    name = calibration_name(bench)
    kept = {reclamping_kind(found.part): to_data(found.part, lines)}
    if not done.why_not():
        checked_with = (
            None if agreement is None else {"runs": list(check), "chi2": agreement.chi2, "dof": agreement.dof}
        )
        kept["positioner"] = found.to_data(checked_with)
    files = {kind.partition("-")[0]: str(Calibrations().add(name, kind, data, runs)) for kind, data in kept.items()}
    return replace(done, files=files)
