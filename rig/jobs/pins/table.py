"""`anglewright pins table FILE [--part P]`: a table of resistances in, the pin report out, as text or one document.

It prints nothing itself: `lines` and `document` are what a face prints. It reads the file, asks rig/diagnosis/pins.py
and, where asked, writes a draft part file (never over an existing one). `typed_in` asks a person pair by pair.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rig.description.parts import PartFile, load_part
from rig.diagnosis.pins import identify, table_from
from rig.diagnosis.pins_ac import AcReport
from rig.diagnosis.pins_draft import draft, draft_possible
from rig.diagnosis.pins_probing import Probing
from rig.diagnosis.pins_report import PinReport
from rig.diagnosis.pins_table import PairTable, natural, told
from rig.errors import UsageError
from rig.records.capture_files_ohms import read_ohms
from rig.records.capture_files_pairs import PairsFile, pin_name, read_pairs
from rig.records.files import write_new

SCHEMA = "anglewright result 1"


@dataclass(frozen=True, slots=True, kw_only=True)
class AnalysedPairs:
    """A table with its report. part: the part file it was compared with, or None; draft_path: where a draft went."""

    source: str
    table: PairTable
    report: PinReport
    part: PartFile | None = None
    draft_path: str = ""
    run: str | None = None
    simulated: bool = False
    serial: str | None = None
    ac: AcReport | None = None

    @property
    def exit_status(self) -> int:
        """Exit status of the outcome."""
        return self.report.exit_status

    def document(self) -> dict[str, Any]:
        """The one --json document: numbers unrounded, null never NaN."""
        return {
            "schema": SCHEMA,
            "simulated": self.simulated,
            "run": self.run,
            "kind": "pairs",
            "source": self.source,
            "part": self.part.number if self.part else None,
            "serial": self.serial,
            "outcome": self.report.outcome,
            "reasons": [reason.to_dict() for reason in self.report.reasons],
            "results": [],
            "findings": [finding.to_dict() for finding in self.report.findings],
            "pins": self.report.to_dict() | {"ac": self.ac.to_dict() if self.ac else None},
            "notes": list(self.report.notes),
            "files": {"draft": self.draft_path} if self.draft_path else {},
        }

    def text(self) -> str:
        """What a person reads."""
        return "\n".join(lines(self))


def table_of(file: PairsFile, lead_ohm: float | None = None) -> PairTable:
    """A file's rows as diagnosis takes them. lead_ohm: still in the readings, to be taken off (ohm)."""
    plain = table_from([(r.pin_a, r.pin_b, r.ohm, r.reversed_ohm) for r in file.rows])
    lead = file.lead_ohm if lead_ohm is None else lead_ohm
    return PairTable(plain.readings, lead, file.conflicts, file.source, plain.pins_named)


def analyse_pairs(
    path: Path | str, *, part: str | None = None, lead_ohm: float | None = None, draft_to: Path | None = None
) -> AnalysedPairs:
    """Read a table and report on it, blind or against a part file (a draft will do).

    lead_ohm: lead resistance that is still in each reading. draft_to: write the draft part file there. Raises
    UsageError for a file that can't be read or a draft that can't be made, DescriptionError with its faulty lines.
    """
    if lead_ohm is not None and not 0 <= lead_ohm < 10:
        raise UsageError(f"{lead_ohm!r} ohm is no lead resistance.", next_action="Short the probes and read again.")
    table = table_of(read_pairs(Path(path)), lead_ohm)
    return reported(table, str(path), part=part, draft_to=draft_to)


def reported(table: PairTable, source: str, *, part: str | None = None, draft_to: Path | None = None) -> AnalysedPairs:
    """The report on a table from anywhere, and its draft where asked."""
    part_file = load_part(part, draft=True) if part is not None else None
    report = identify(table, part_file.part() if part_file else None)
    where = ""
    if draft_to is not None:
        where = str(write_new(draft_to, draft(report, draft_to.stem).encode()))
    return AnalysedPairs(source=source, table=table, report=report, part=part_file, draft_path=where)


def reported_run(run_id: str, *, draft_to: Path | None = None) -> AnalysedPairs:
    """The pins of a kept run of the `pins` sequence, its AC test included; blind to the part file's map.

    Raises UsageError for a run that is not there or read no pairs, or a draft that can't be made.
    """
    from rig.diagnosis.pins_run import run_pins
    from rig.evaluation.evaluated import evaluate
    from rig.records.store import Store
    from rig.review.judge import observed_of

    stored = Store().find(run_id)
    found = run_pins(evaluate(observed_of(stored)))
    if not found.table.readings:
        raise UsageError(f"run {stored.id} read no pairs of pins.", next_action="Give a run of the pins sequence.")
    where = ""
    if draft_to is not None:
        where = str(write_new(draft_to, draft(found.report, draft_to.stem, found.ac).encode()))
    return AnalysedPairs(
        source=f"run {stored.id}",
        table=found.table,
        report=found.report,
        draft_path=where,
        run=stored.id,
        simulated=stored.header.simulated,
        serial=stored.header.serial,
        ac=found.ac,
    )


def pin_names(text: str) -> list[str]:
    """Pins from "8" (1 to 8) or "A, B, C, D" in the connector's order. Raises UsageError for none, one or a double."""
    names = [pin_name(word) for word in text.split(",") if word.strip()]
    if len(names) == 1 and names[0].isdigit() and 2 <= int(names[0]) <= 64:
        return [str(n + 1) for n in range(int(names[0]))]
    if len(names) < 2 or len(set(names)) != len(names):
        raise UsageError(f"{text!r} names no set of pins.", next_action="Give their number, or their names: A,B,C,D.")
    return names


def typed_in(
    pins: list[str], ask: Callable[[str], str], say: Callable[[str], None], lead_ohm: float | None = None
) -> PairTable:
    """A table typed in pair by pair: asks the next most telling pair until nothing more is needed.

    ask: gets a question, gives what was typed ("6.8", "OL", "1.2k"; "" ends early). What can't be read is asked again.
    """
    probing = Probing(tuple(pins))
    rows: list[tuple[str, str, float | None, float | None]] = []
    while (probe := probing.next_pair()) is not None:
        text = ask(f"{len(rows) + 1:>3}. pins {probe.pin_a} and {probe.pin_b} ({probe.why})")
        if not text.strip():
            break
        try:
            value = read_ohms(text).ohm
        except UsageError as fault:
            say(str(fault))
            continue
        if value is None:
            say("A pair that was not measured tells nothing: type ohms, or OL for over range.")
            continue
        probing.put(probe.pin_a, probe.pin_b, value)
        rows.append((probe.pin_a, probe.pin_b, value, None))
    table = table_from(rows)
    return PairTable(table.readings, lead_ohm, source="typed in", pins_named=tuple(pins))


# ---- text ---------------------------------------------------------------------------------------------------------


def lines(analysed: AnalysedPairs) -> list[str]:
    """The report for a person, line by line."""
    r = analysed.report
    against = f" against the pin map of {analysed.part.number}" if analysed.part else ""
    found = [
        f"{analysed.source}: {len(analysed.table.readings)} pairs of {len(analysed.table.pins)} pins{against}",
        f"outcome: {r.outcome}{'   SIMULATED' if analysed.simulated else ''}",
    ]
    for reason in r.reasons:
        found += [f"! {reason.code}: {reason.text}", f"  evidence: {reason.evidence}", f"  next: {reason.next}"]
    for finding in r.findings:
        found += [
            f"? {finding.code} (a hint, {100 * finding.probability:.0f} %): {finding.text}",
            f"  evidence: {finding.evidence}",
            f"  against: {finding.against}",
            f"  next test: {finding.next_test}",
        ]
    found += ["", *_matrix(analysed.table), "", *_functions(r)]
    for item in r.undecided:
        found += [f"open: {item.what}", f"  why: {item.why}", f"  settled by: {item.settled_by}"]
    found += [f"note: {note}" for note in r.notes]
    found.append(_excitation_line(r))
    if analysed.draft_path:
        found.append(f"draft part file: {analysed.draft_path} (not confirmed: no run excites by it)")
    elif analysed.part is None and not draft_possible(r):
        found.append("a draft part file can be written from this (--draft FILE)")
    return found


def _functions(r: PinReport) -> list[str]:
    found = []
    exc = r.excitation
    for coil in r.coils:
        role = "coil"
        if exc is not None and r.outputs is not None:
            role = "excitation coil" if coil == exc else "output coil"
            if (r.matches_part or r.confidence == "proven by AC") and coil in r.outputs:
                role = ("sine coil", "cosine coil")[r.outputs.index(coil)]
        shared = f", shares pin {', '.join(coil.shared)}" if coil.shared else ""
        found.append(f"{coil.name:<9} {coil.ohm:>9.4g} ohm  {role}{shared}")
    for sensor in r.sensors:
        kinds = " or ".join(sensor.kind.kinds)
        found.append(f"{sensor.circuit.name:<9} {sensor.circuit.ohm:>9.5g} ohm  sensor: {kinds} ({sensor.kind.note})")
    if exc is not None:
        found.append(f"excitation: pins {exc.name}, {r.confidence}; for it: {r.evidence}; against: {r.against}")
    if r.empty:
        found.append(f"empty pins: {', '.join(r.empty)}")
    if r.grounded:
        found.append(f"ground: {', '.join(r.grounded)}")
    found += [f"joined: {told(group)}" for group in r.joined]
    return found


def _excitation_line(r: PinReport) -> str:
    if r.may_excite:
        never = f"; never on pins {', '.join(r.never_excite)}" if r.never_excite else ""
        return f"excitation: the low-level test is allowed{never}"
    return f"excitation: blocked{f' ({r.blocked_by})' if r.blocked_by else ''}"


def _matrix(table: PairTable) -> list[str]:
    """All pairs as a triangle; "." open, "?" not measured."""
    names = sorted(table.nodes, key=natural)
    if len(names) > 16:
        closed = [(r.pin_a, r.pin_b, table.ohm(r.pin_a, r.pin_b)) for r in table.readings]
        return [f"{told((a, b)):<9} {_short(v)}" for a, b, v in closed if v is not None and math.isfinite(v)]
    width = max(5, *(len(name) for name in names)) + 1
    rows = ["".join([" " * width, *(f"{name:>{width}}" for name in names[:-1])])]
    for i, name in enumerate(names[1:], start=1):
        cells = [f"{_short(table.ohm(name, other)):>{width}}" for other in names[:i]]
        rows.append("".join([f"{name:<{width}}", *cells]))
    return rows


def _short(ohm: float | None) -> str:
    if ohm is None:
        return "?"
    if math.isinf(ohm):
        return "."
    for limit, scale, letter in ((1e3, 1.0, ""), (1e6, 1e3, "k"), (1e12, 1e6, "M")):
        if ohm < limit:
            return f"{ohm / scale:.3g}{letter}"
    return "."
