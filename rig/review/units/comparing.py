"""Units of one part number side by side: what differs in how they were measured, every line, which one to fit and why.

It must never compare in silence what was measured differently: rotor, excitation, sequence, holder, condition, coil
temperature or limits that differ are refused until the person says so, and are then told. The advice is an opinion with
its figures, no verdict; margins and differences are those of margins.py. It reads stored runs and writes nothing.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from rig.errors import UsageError
from rig.measurands import measurand
from rig.quantity import LEARNED_ORIGINS, Limit
from rig.records.run.stored import StoredRun
from rig.result import Judged, Judgement, finite
from rig.review.units.margins import Difference, difference, margin

if TYPE_CHECKING:
    pass

SCHEMA = "anglewright comparison 1"
MOST = 4
APART_K = 5.0  # coil temperatures further apart than this are another condition
ASPECTS = ("rotor", "excitation", "sequence", "holder", "condition", "temperature", "limits")


@dataclass(frozen=True, slots=True)
class ComparedUnit:
    """One unit with the run and the judgement that stand for it. name: its serial, with the run's end where needed."""

    name: str
    run: StoredRun
    judgement: Judgement

    @property
    def rotor(self) -> str:
        """With whose rotor it was measured, in words."""
        told = {"own": "its own rotor", "shop master": "the shop's master rotor", "none": "no rotor"}
        return told.get(self.run.header.rotor, self.run.header.rotor)


@dataclass(frozen=True, slots=True)
class ComparedLine:
    """One measurand over the units; differences to the first unit, None for itself and where a figure is missing."""

    measurand: str
    cells: tuple[Judged | None, ...]
    differences: tuple[Difference | None, ...]

    @property
    def has_limit(self) -> bool:
        """At least one unit has a limit here."""
        return any(cell is not None and cell.limit is not None for cell in self.cells)

    @property
    def beyond(self) -> bool:
        """At least one unit differs from the first by more than the uncertainty."""
        return any(one is not None and one.beyond for one in self.differences)


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitComparison:
    """units: the first is what the others are compared with. differs: aspect -> what differs, by the caller's leave.

    reclamped: the re-clamping scatter of the part number is known, and in the U of the differences.
    """

    part: str
    units: tuple[ComparedUnit, ...]
    differs: dict[str, str]
    lines: tuple[ComparedLine, ...]
    reclamped: bool

    @property
    def is_simulated(self) -> bool:
        """All units come from the simulated bench (others are never compared with them)."""
        return self.units[0].run.header.simulated


def compare(runs: Sequence[StoredRun], *, despite: Collection[str] = ()) -> UnitComparison:
    """Two to four judged runs of one part number side by side, differences to the first.

    despite: aspects (`ASPECTS`) that may differ. Raises UsageError for anything else that does, for runs that were not
    judged, and for simulated beside real ones.
    """
    numbers = sorted({str(run.header.part.get("number", "")) for run in runs})
    if not 2 <= len(runs) <= MOST or len(numbers) != 1:
        raise UsageError(
            f"{len(runs)} runs of {len(numbers)} part numbers can't stand side by side.",
            next_action=f"Give two to {MOST} units of one part number.",
        )
    units = tuple(ComparedUnit(name, run, _judge(run)) for name, run in zip(_names(runs), runs, strict=True))
    if len({run.header.simulated for run in runs}) > 1:
        raise UsageError("simulated and real units can't stand side by side.", next_action="Leave one kind out.")
    differs = differing(units)
    if refused := [told for aspect, told in differs.items() if aspect not in despite]:
        options = " ".join(f"--despite {aspect}" for aspect in differs if aspect not in despite)
        raise UsageError(
            f"these were not measured alike: {'; '.join(refused)}.",
            next_action=f"Measure (or judge) them alike, or say {options}: it is then printed.",
        )
    lines = tuple(_lines(units))
    known = any(one is not None and one.reclamped for line in lines for one in line.differences)
    return UnitComparison(part=numbers[0], units=units, differs=differs, lines=lines, reclamped=known)


def _judge(run: StoredRun) -> Judgement:
    if run.judgement is None:
        raise UsageError(f"run {run.id} was not judged.", next_action="Leave it out, or run the test again.")
    return run.judgement


def _names(runs: Sequence[StoredRun]) -> list[str]:
    serials = [run.header.serial for run in runs]
    return [s if serials.count(s) == 1 else f"{s} ({run.id[-4:]})" for s, run in zip(serials, runs, strict=True)]


# ---- what differs in how they were measured -----------------------------------------------------------------


def differing(units: Sequence[ComparedUnit]) -> dict[str, str]:
    """Aspect -> what differs, in words."""
    readers: dict[str, Callable[[ComparedUnit], str]] = {
        "rotor": lambda unit: unit.rotor,
        "excitation": _excitation,
        "sequence": lambda unit: unit.run.header.sequence,
        "holder": lambda unit: str(unit.run.header.holder.get("name", "")) or "not stated",
        "condition": lambda unit: unit.run.header.condition or "not stated",
    }
    found = {}
    for aspect, read in readers.items():
        told = [read(unit) for unit in units]
        if len(set(told)) > 1:
            found[aspect] = f"{aspect} ({', '.join(f'{u.name}: {t}' for u, t in zip(units, told, strict=True))})"
    warm = [degc for unit in units if (degc := _coil_degc(unit.judgement)) is not None]
    if warm and max(warm) - min(warm) > APART_K:
        found["temperature"] = f"temperature (coils from {min(warm):.1f} to {max(warm):.1f} degC)"
    if limits := _other_limits(units):
        more = f" and {len(limits) - 3} more lines" if len(limits) > 3 else ""
        found["limits"] = f"limits (of {', '.join(limits[:3])}{more})"
    return found


def _excitation(unit: ComparedUnit) -> str:
    told = unit.run.header.part.get("excitation") or {}
    return f"{told.get('frequency_hz', 0):g} Hz, {told.get('level_v_rms', 0):g} V"


def _coil_degc(judgement: Judgement) -> float | None:
    line = judgement.line("r20_exc")
    degc = line.result.conditions.get("coil_degc") if line is not None and line.result is not None else None
    return float(degc) if isinstance(degc, int | float) else None


def _other_limits(units: Sequence[ComparedUnit]) -> list[str]:
    """Measurands that two units were judged by different bounds, by another version of learned ones, or one by none."""
    bounds: dict[str, set[object]] = {}
    for unit in units:
        for line in unit.judgement.judged:
            if line.result is not None and line.result.estimate is not None:
                bounds.setdefault(line.measurand, set()).add(_bounds(line.limit))
    return [id_ for id_, seen in bounds.items() if len(seen) > 1]


def _bounds(limit: Limit | None) -> object:
    """What two limits are told apart by; of learned ones the version, for each teacher has bounds of its own."""
    if limit is None:
        return None
    version = re.search(r"version \d+", limit.note) if limit.origin in LEARNED_ORIGINS else None
    return version[0] if version else (limit.lower, limit.upper)


def _lines(units: Sequence[ComparedUnit]) -> list[ComparedLine]:
    lines = []
    for id_ in dict.fromkeys(line.measurand for unit in units for line in unit.judgement.judged):
        cells = tuple(unit.judgement.line(id_) for unit in units)
        shown = [cell for cell in cells if cell is not None and cell.result is not None]
        if not _about_part(id_) or any(cell.result is not None and cell.result.manual for cell in shown):
            continue
        apart = tuple(difference(cell, cells[0]) if n else None for n, cell in enumerate(cells))
        lines.append(ComparedLine(id_, cells, apart))
    return lines


def _about_part(id_: str) -> bool:
    try:
        return measurand(id_).about == "part"
    except KeyError:
        return False


# ---- as data ------------------------------------------------------------------------------------------------


def to_dict(found: UnitComparison) -> dict[str, Any]:
    """As JSON-ready data, without the advice: numbers unrounded, null never NaN."""
    return {
        "schema": SCHEMA,
        "part": found.part,
        "simulated": found.is_simulated,
        "differs": dict(found.differs),
        "reclamping_known": found.reclamped,
        "units": [_unit_data(unit) for unit in found.units],
        "lines": [_line_data(line) for line in found.lines],
    }


def _unit_data(unit: ComparedUnit) -> dict[str, Any]:
    free = margin(unit.judgement)
    header = unit.run.header
    return {
        "name": unit.name,
        "serial": header.serial,
        "run": unit.run.id,
        "rotor": header.rotor,
        "condition": header.condition,
        "outcome": unit.judgement.outcome,
        "margin": finite(free[0]) if free else None,
        "margin_at": free[1] if free else None,
        "findings": [finding.code for finding in unit.judgement.findings],
    }


def _line_data(line: ComparedLine) -> dict[str, Any]:
    cells = []
    for cell, apart in zip(line.cells, line.differences, strict=True):
        data = None if cell is None else {k: v for k, v in cell.to_dict().items() if k != "measurand"}
        told = None if apart is None else {"value": apart.value, "U": finite(apart.U), "reclamped": apart.reclamped}
        cells.append({"line": data, "difference": told and told | {"beyond_U": apart is not None and apart.beyond}})
    return {"measurand": line.measurand, "units": cells}
