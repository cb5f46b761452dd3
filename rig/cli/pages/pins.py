"""The pins of a table, a session by hand or a run, as a person reads them: outcome, matrix, roles, what is open."""

from __future__ import annotations

import math

from rig.jobs.pins.table import AnalysedPairs
from rig.pins.draft import draft_possible
from rig.pins.pin_map import PinMap
from rig.pins.readings import PairTable, pin_list

WIDEST_MATRIX = 16  # pins; above, only what conducts is shown
SCALES = ((1e3, 1.0, ""), (1e6, 1e3, "k"), (1e12, 1e6, "M"))


def pins_page(analysed: AnalysedPairs) -> str:
    """The whole page."""
    r, table = analysed.pins.found, analysed.pins.table
    against = f" against the pin map of {analysed.part.number}" if analysed.part else ""
    found = [
        f"{analysed.source}: {len(table.readings)} pairs of {len(table.pins)} pins{against}",
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
    found += ["", *_matrix(table), "", *_functions(r)]
    for item in r.undecided:
        found += [f"open: {item.what}", f"  why: {item.why}", f"  settled by: {item.settled_by}"]
    found += [f"note: {note}" for note in r.notes]
    found.append(_excitation_line(r))
    if analysed.draft_path:
        found.append(f"draft part file: {analysed.draft_path} (not confirmed: no run excites by it)")
    elif analysed.part is None and not draft_possible(r):
        found.append("a draft part file can be written from this (--draft FILE)")
    return "\n".join(found)


def _functions(r: PinMap) -> list[str]:
    known = r.assignment
    found = []
    for coil in r.coils:
        shared = f", shares pin {', '.join(coil.shared)}" if coil.shared else ""
        found.append(f"{coil.name:<9} {coil.ohm:>9.4g} ohm  {known.role(coil) if known else 'coil'}{shared}")
    for sensor in r.sensors:
        kinds = " or ".join(sensor.kind.kinds)
        found.append(f"{sensor.circuit.name:<9} {sensor.circuit.ohm:>9.5g} ohm  sensor: {kinds} ({sensor.kind.note})")
    if known is not None:
        found.append(
            f"excitation: pins {known.excitation.name}, {known.by}; for it: {known.evidence}; against: {known.against}"
        )
    if r.empty:
        found.append(f"empty pins: {', '.join(r.empty)}")
    if r.grounded:
        found.append(f"ground: {', '.join(r.grounded)}")
    return found + [f"joined: {pin_list(group)}" for group in r.joined]


def _excitation_line(r: PinMap) -> str:
    if r.may_excite:
        never = f"; never on pins {', '.join(r.never_excite)}" if r.never_excite else ""
        return f"excitation: the low-level test is allowed{never}"
    return f"excitation: blocked{f' ({r.blocked_by})' if r.blocked_by else ''}"


def _matrix(table: PairTable) -> list[str]:
    """All pairs as a triangle; "." open, "?" not measured."""
    names = table.nodes
    if len(names) > WIDEST_MATRIX:
        closed = [(r.pin_a, r.pin_b, table.ohm(r.pin_a, r.pin_b)) for r in table.readings]
        return [f"{pin_list((a, b)):<9} {_short(v)}" for a, b, v in closed if v is not None and math.isfinite(v)]
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
    for limit, scale, letter in SCALES:
        if ohm < limit:
            return f"{ohm / scale:.3g}{letter}"
    return "."
