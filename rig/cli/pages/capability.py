"""`bench can`: what a bench can decide of a part, as text or one JSON document.

It computes nothing (rig/review/capability.py does); it looks up the files and the calibrations in force.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from rig.certificate.words.wording import short_name
from rig.description.benches import BenchFile
from rig.description.loading import read_toml
from rig.description.parts import load_part
from rig.description.places import find
from rig.jobs import run_job as jobs
from rig.records.calibrations import Calibrations, calibration_name

if TYPE_CHECKING:
    from rig.review.capability import Capability, CapabilityLine

SCHEMA = "anglewright capability 1"


@dataclass(frozen=True, slots=True)
class Page:
    """A capability with its two faces."""

    found: Capability

    def document(self) -> dict[str, Any]:
        """The --json document."""
        found = self.found
        return {
            "schema": SCHEMA,
            "bench": found.bench,
            "part": found.part,
            "decision_rule": {"name": found.rule, "w_over_U": found.multiplier},
            "not_capable": list(found.not_capable),
            "tightest": _most(found.tightest),
            "lines": [line.to_dict() for line in found.lines],
            "assumed": list(found.assumed),
        }

    def text(self) -> str:
        """For the terminal: lines with a limit, then the others; below each what a better bench would change."""
        found = self.found
        rows = [
            f"bench {found.bench}, part {found.part}; rule: {found.rule}, w = {found.multiplier:g} U",
            "",
            f"{'line':<46}{'expected U':>14}  {'can this bench judge it':<24}{'tolerance left':>14}  mostly",
        ]
        for line in found.lines:
            rows += _rows(line)
        if (most := _most(found.tightest)) is not None:
            name = short_name(most["measurand"], alone=True)
            rows += ["", f"narrows most the line with the least tolerance left ({name}): {most['with']}"]
        rows += ["", "taken as given: " + "; ".join(found.assumed)]
        if found.not_capable:
            rows += ["", f"not capable of: {'; '.join(short_name(one, alone=True) for one in found.not_capable)}"]
        return "\n".join(rows)


def _most(line: CapabilityLine | None) -> dict[str, Any] | None:
    """What would narrow a line most, with U before and after in the line's unit."""
    if line is None:
        return None
    name = min(line.better, key=lambda one: line.better[one])
    return {"measurand": line.measurand, "with": name, "U": line.U, "U_then": line.better[name], "unit": line.unit}


def _rows(line: CapabilityLine) -> list[str]:
    unit = "" if line.unit in ("1", "ratio") else f" {line.unit}"
    expanded = "-" if line.U is None else f"{line.U:.3g}{unit}"
    left = "" if line.share is None else f"{100 * line.share:.0f} %"
    mostly = f"{line.dominated_by[0][0]} ({100 * line.dominated_by[0][1]:.0f} %)" if line.dominated_by else line.note
    rows = [f"{short_name(line.measurand, alone=True):<46}{expanded:>14}  {line.sentence:<24}{left:>14}  {mostly}"]
    if line.limit is not None:
        rows += [f"{'':<46}{value:>14.3g}  with {name}" for name, value in line.better.items()]
    return rows


def capability_page(part: str, bench: str) -> Page:
    """The capability of a bench for a part, with the calibrations that would be in force now."""
    from rig.review.capability import capability

    bench_file, holder = jobs.bench_and_holder(jobs.Request(sequence="", part=part, serial="-", bench=bench))
    bench_file = _as_served(bench_file)
    days = {"positioner": bench_file.axis.correction_days} if bench_file.axis else {}
    now = datetime.now(UTC).isoformat(timespec="seconds")
    calibration = Calibrations().for_run(calibration_name(bench_file), now, days)
    return Page(capability(load_part(part).part(), holder, bench_file, calibration))


def _as_served(bench: BenchFile) -> BenchFile:
    """A simulated bench without the encoder that its world does not have."""
    if bench.world is None or bench.encoder is None:
        return bench
    axis = read_toml(find("world", bench.world))[0].get("axis", {})
    return bench if axis.get("encoder", False) else bench.model_copy(update={"encoder": None})
