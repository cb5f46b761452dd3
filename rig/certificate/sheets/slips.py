"""What goes with a unit on paper: the label that is tied to stator and rotor, and the slip it is handed back with.

Plain text in fixed width, from the book and the history; what the customer stated is named so. It judges nothing:
outcomes are those of the runs, every attempt listed.
"""

from __future__ import annotations

from collections.abc import Mapping
from textwrap import wrap
from typing import Any

from rig.certificate.words.wording import find_measurand, minus, scale_of, short_name
from rig.errors import UsageError
from rig.records.index.history import Change, History
from rig.review.lots.lot import Lot, Unit
from rig.uncertainty.rounding import round_result

WIDTH = 72


def label(intake: Mapping[str, Any]) -> str:
    """The label of one intake, twice: one for the stator, one for the rotor (only the stator's without a rotor)."""
    pieces = ("stator",) if intake["rotor"] == "none" else ("stator", "rotor")
    lines = []
    for piece in pieces:
        lines += [f"{intake['tag']}  {piece.upper()}", f"{intake['part']}  serial {intake['serial']}"]
        lines += [f"job {intake['job']}, in {str(intake['received_utc'])[:10]}"]
        lines += [f"keep with its {'rotor' if piece == 'stator' else 'stator'}", ""] if len(pieces) == 2 else [""]
    return "\n".join(lines)


def hand_back_slip(history: History, job: str, part: str, serial: str) -> str:
    """The slip of one unit of a job. Raises UsageError when the unit never came in under it."""
    known = history.job(job)
    came = [i for i in known["intakes"] if (i["part"], i["serial"]) == (part, serial)]
    if not came:
        raise UsageError(f"{part} {serial} never came in under job {job}.", next_action="Take it in first.")
    intake = came[-1]
    left = [r for r in known["returns"] if (r["part"], r["serial"]) == (part, serial)]
    opened = known["job"] or {}
    pairs = [("Job", job), ("Customer", opened.get("customer", "")), ("Reference", opened.get("reference", ""))]
    pairs += [("Part", part), ("Serial", serial), ("Tag", intake["tag"]), ("Received", intake["received_utc"])]
    pairs += [("Condition on arrival", intake["condition"]), ("Rotor", intake["rotor"])]
    pairs += [("Complaint, as told", intake["complaint"]), ("Fault codes, as told", intake["fault_codes"])]
    pairs += [("Remark", intake["remark"])]
    if left:
        pairs += [("Handed back", left[-1]["returned_utc"]), ("To", left[-1]["handed_to"])]
        pairs += [("Remark", left[-1]["remark"])]
    lines = ["HAND-BACK SLIP", "=" * WIDTH, *_pairs(pairs), "", "Runs", "-" * WIDTH]
    runs = [run for run in history.unit(part, serial) if run.job == job]
    for run in runs:
        count = f", attempt {run.attempt} of {run.attempts}" if run.attempts > 1 else ""
        mark = ", SIMULATED" if run.simulated else ""
        lines.append(f"{run.started_utc[:16]}  {run.run}")
        lines.append(f"    {run.sequence.replace('_', ' ')}, {run.condition or 'condition not stated'}{count}{mark}")
        lines.append(f"    {', '.join(filter(None, (run.outcome, run.awaits)))}")
    if not runs:
        lines.append("none: the unit was not tested")
    beyond = [change for change in history.changes(part, serial, job) if change.beyond]
    if beyond:
        lines += ["", "Changed by more than the uncertainty of the difference", "-" * WIDTH]
        lines += [line for change in beyond for line in _change_rows(change)]
    return "\n".join([*lines, "=" * WIDTH, ""])


def _pairs(pairs: list[tuple[str, str]]) -> list[str]:
    lines = []
    for name, value in pairs:
        for n, line in enumerate(wrap(str(value), WIDTH - 22) if value else []):
            lines.append(f"{name if n == 0 else '':<22}{line}")
    return lines


def _change_rows(change: Change) -> list[str]:
    """Both figures and their difference, rounded by the uncertainty of the difference, in one unit."""
    scale = scale_of(find_measurand(change.measurand), max(abs(change.before), abs(change.after)))
    U = scale.factor * (change.U_delta or 0.0)
    before, after, delta = (
        minus(round_result(scale.factor * value, U)[0]) for value in (change.before, change.after, change.delta)
    )
    return [
        f"{short_name(change.measurand, alone=True)}: {before} -> {after} {scale.unit}".rstrip(),
        f"    {change.earlier or 'condition not stated'} -> {change.later or 'condition not stated'}, "
        f"difference {'+' if change.delta > 0 else ''}{delta}, U {round_result(0.0, U)[1]}",
    ]


def hold_tag(lot: Lot, unit: Unit) -> str:
    """The tag that is tied to a unit of a lot that does not simply conform: what it is, why, what may happen to it."""
    counted = {check.name: lot.count_of(check, unit) for check in lot.checks if unit in lot.sample(check)}
    pairs = [("Lot", lot.name), ("Supplier", lot.file.supplier), ("Order", lot.file.order), ("Part", lot.file.part)]
    pairs += [("Serial", unit.serial), ("Box", unit.box), ("Outcome", unit.outcome)]
    for name, one in counted.items():
        why = ", ".join([*one.bad, *one.open_][:4])
        pairs.append((f"{name}"[:21], one.state + (f": {why}" if why else "")))
    mark = [" SIMULATED: no part was measured"] if lot.is_simulated else []
    runs = [f"run {run.id}" for run in unit.runs]
    lines = [
        f"HOLD  {unit.label}",
        "=" * WIDTH,
        *_pairs(pairs),
        *runs,
        *mark,
        "",
        "Do not fit, do not mix with the others.",
    ]
    return "\n".join([*lines, "=" * WIDTH, ""])
