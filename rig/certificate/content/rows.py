"""The rows of a report's tables: results by group, angle rows with both scales, facts about the rig, budgets.

Pure; figures are rounded by wording.py. Angles: electrical = pole pairs x mechanical, printed side by side.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from rig.certificate.words.wording import (
    COIL_WORDS,
    DASH,
    PrintedLine,
    conditions_text,
    display,
    find_measurand,
    minus,
    number,
    scale_of,
    short_name,
    size_of,
    unit_of_line,
)
from rig.result import Judged, Result
from rig.uncertainty.conformity import Verdict

GROUPS = (
    ("coils", "Coil resistance, four-wire"),
    ("thermistor", "Thermistor"),
    ("leak", "Leak at the meter's low voltage"),
    ("excitation", "Excitation at the coil"),
    ("impedance", "Impedance"),
    ("ratio", "Transformation ratio and phase"),
    ("null", "Null voltage (rms) and quadrature, largest over the turn"),
    ("angle", "Angle"),
    ("other", "Other"),
)
SHOWN_CONDITIONS = {"coils": ("as_measured_ohm", "coil_degc"), "impedance": ("frequency_hz",)}
BUDGETED = ("error_max_elec_arcmin", "tr_sin", "r20_exc", "orthogonality_elec_deg", "null_total_sin_v", "z_exc_mod")
BUDGET_LINES, BUDGET_SHARE = 6, 0.001
ANGLE_ORDER = ("pole_pairs", "direction", "zero_elec_deg", "orthogonality_elec_deg")
COILS = ("exc", "sin", "cos")
PAIR = ("error_max_elec_arcmin", "error_max_mech_arcmin")


@dataclass(frozen=True, slots=True)
class Row:
    """A line of the result table, with its conditions in words."""

    measurand: str
    shown: PrintedLine
    conditions: str


@dataclass(frozen=True, slots=True)
class Group:
    """A titled block of rows."""

    id: str
    title: str
    rows: tuple[Row, ...]


@dataclass(frozen=True, slots=True)
class AngleRow:
    """An angle both ways: (estimate, U, unit) electrical and mechanical. stated: "elec" or "mech", the limit's own."""

    measurand: str
    name: str
    elec: tuple[str, str, str]
    mech: tuple[str, str, str]
    stated: str
    shown: PrintedLine


@dataclass(frozen=True, slots=True)
class BudgetRow:
    """One influence: contribution to u in the result's shown unit, and its share of the variance (0 to 1)."""

    influence: str
    kind: str
    contribution: str
    share: float


@dataclass(frozen=True, slots=True)
class Budget:
    """The budget of one result, largest contribution first."""

    name: str
    unit: str
    U: str
    k: str
    dof: str
    rows: tuple[BudgetRow, ...]


@dataclass(frozen=True, slots=True)
class CoilRow:
    """Impedance of one coil in one row: (estimate, U, unit) of modulus, phase, inductance, quality factor."""

    coil: str
    cells: tuple[tuple[str, str, str], ...]
    k: str


def groups(judged: Sequence[Judged], guard: float) -> tuple[Group, ...]:
    """Every line about the part or its excitation, angle lines excepted, in the printed order."""
    made = []
    for id_, title in GROUPS:
        if id_ == "angle":
            continue
        lines = [line for line in judged if find_measurand(line.measurand).group == id_ and not is_manual(line)]
        if id_ == "impedance" and impedance_rows(judged):
            continue
        rows = tuple(_row(line, id_, guard) for line in lines)
        if rows:
            made.append(Group(id_, title, rows))
    return tuple(made)


def is_manual(line: Judged) -> bool:
    """A line that was entered by hand stands in a table of its own."""
    return line.result is not None and line.result.manual


def impedance_rows(judged: Sequence[Judged]) -> tuple[CoilRow, ...]:
    """The coils side by side; () when a limit or a missing figure asks for a row each."""
    lines = {line.measurand: line for line in judged if find_measurand(line.measurand).group == "impedance"}
    if any(line.limit is not None or line.verdict is not Verdict.NO_LIMIT for line in lines.values()):
        return ()
    rows = []
    for coil in COILS:
        ids = (f"z_{coil}_mod", f"z_{coil}_phase_deg", f"l_{coil}", f"q_{coil}")
        if not all(id_ in lines for id_ in ids):
            continue
        shown = [display(lines[id_]) for id_ in ids]
        ks = sorted({one.k for one in shown if one.k})
        cells = tuple((one.estimate, one.U, one.unit) for one in shown)
        rows.append(
            CoilRow(COIL_WORDS[coil].capitalize(), cells, " to ".join(dict.fromkeys((ks[0], ks[-1]))) if ks else "")
        )
    return tuple(rows) if 4 * len(rows) == len(lines) else ()


def _row(line: Judged, group: str, guard: float) -> Row:
    conditions = line.result.conditions if line.result else {}
    shown = replace(display(line, guard), name=short_name(line.measurand))
    return Row(line.measurand, shown, conditions_text(conditions, SHOWN_CONDITIONS.get(group, ())))


def angle_rows(judged: Sequence[Judged], guard: float, pole_pairs: int) -> tuple[AngleRow, ...]:
    """The angle group with electrical and mechanical figures side by side; the largest error is one row."""
    lines = [line for line in judged if find_measurand(line.measurand).group == "angle"]
    by_id = {line.measurand: line for line in lines}
    if all(id_ in by_id for id_ in PAIR):
        spare = PAIR[1] if by_id[PAIR[1]].limit is None else PAIR[0] if by_id[PAIR[0]].limit is None else ""
        lines = [line for line in lines if line.measurand != spare]
    lines.sort(key=lambda line: ANGLE_ORDER.index(line.measurand) if line.measurand in ANGLE_ORDER else 9)
    return tuple(_angle_row(line, guard, pole_pairs) for line in lines)


def _angle_row(line: Judged, guard: float, pole_pairs: int) -> AngleRow:
    m = find_measurand(line.measurand)
    shown = display(line, guard)
    own = (shown.estimate, shown.U, shown.unit)
    name = short_name(line.measurand)
    if not m.angle:
        return AngleRow(line.measurand, name, own, ("", "", ""), "", shown)
    factor = 1.0 / pole_pairs if m.angle == "elec" else float(pole_pairs)
    other = _in_unit(line, factor, shown.unit)
    elec, mech = (own, other) if m.angle == "elec" else (other, own)
    return AngleRow(line.measurand, name, elec, mech, m.angle, shown)


def _in_unit(line: Judged, factor: float, unit: str) -> tuple[str, str, str]:
    r = line.result
    if r is None or r.estimate is None or line.spoiled:
        return DASH, "", unit
    scaled = replace(r, estimate=r.estimate * factor, u=None if r.u is None else r.u * factor)
    shown = display(Judged(measurand=line.measurand, result=scaled, limit=None, verdict=Verdict.NO_LIMIT))
    return shown.estimate, shown.U, unit


def rig_facts(judged: Sequence[Judged]) -> tuple[tuple[str, str], ...]:
    """Facts about the rig, never verdicts about the part: hysteresis, closure, drift, seat."""
    rows = []
    for line in judged:
        if find_measurand(line.measurand).group != "rig":
            continue
        shown = display(line)
        value = f"{shown.estimate}{_spread(shown)} {shown.unit}".replace(" ′", "′")
        rows.append((short_name(line.measurand), value if shown.estimate != DASH else shown.note or DASH))
    return tuple(rows)


def _spread(shown: PrintedLine) -> str:
    return f" ± {shown.U}" if shown.U else ""


def budgets(judged: Sequence[Judged]) -> tuple[Budget, ...]:
    """The budgets of the main results that were measured: four at most."""
    by_id = {line.measurand: line.result for line in judged if not line.spoiled}
    made = [_budget(r) for id_ in BUDGETED if (r := by_id.get(id_)) is not None and r.budget and r.U]
    return tuple(made[:4])


def _budget(r: Result) -> Budget:
    line = Judged(measurand=r.measurand, result=r, limit=None, verdict=Verdict.NO_LIMIT)
    scale = scale_of(unit_of_line(line), size_of(r))
    lines = sorted(r.budget, key=lambda line: -line.contribution)
    total = sum(line.contribution**2 for line in lines) or 1.0
    large = [line for line in lines[:BUDGET_LINES] if line.contribution**2 >= BUDGET_SHARE * total]
    rows = [
        BudgetRow(
            line.influence,
            line.kind,
            number(line.contribution * scale.factor, 2),
            line.contribution**2 / total,
        )
        for line in large
    ]
    if rest := lines[len(large) :]:
        small = sum(line.contribution**2 for line in rest)
        rows.append(BudgetRow(f"{len(rest)} smaller", "", number(small**0.5 * scale.factor, 2), small / total))
    shown = display(line)
    dof = number(r.dof, 3) if r.dof is not None and r.dof < 1000 else "∞"
    return Budget(short_name(r.measurand, alone=True), scale.unit, minus(shown.U), shown.k, dof, tuple(rows))
