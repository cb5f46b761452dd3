"""Which pins belong to which coil: from a table of resistances to a report, alone or against a part file.

It must never know a file or an instrument, and never guesses one wire: the two alike coils are the outputs, the odd one
out is the excitation whether it is the lowest or the highest; three alike wait for the AC test; signs and the split
into sine and cosine wait for a known-good part or a wiring diagram. What is not this kind of part stops before
anything is excited. Source: design page "trade", section 4.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

from rig.diagnosis.pins_against import against_part
from rig.diagnosis.pins_circuits import Circuit, Circuits, find_circuits
from rig.diagnosis.pins_obstacles import obstacles
from rig.diagnosis.pins_report import PinReport, Sensor, Undecided
from rig.diagnosis.pins_sensors import WARM, could_be_ptc, sensor_kind
from rig.diagnosis.pins_table import PairReading, PairTable, told
from rig.resolver.part import Part

ALIKE, PAIR_MOST, ODD_LEAST, ODD_TIMES = 0.06, 0.12, 0.06, 2.5
STRONG_ODD, STRONG_PAIR = 0.3, 0.05
DOUBTFUL_COIL_OHM = 400.0
AC_TEST = "Run the low-level AC test: drive each coil in turn over an electrical cycle and watch the other two."
KNOWN_GOOD = (
    "A known-good part of the same number on the same fixture and clock position, or a wiring diagram; "
    "wire colours are evidence only."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class OddOne:
    """Which of three resistances is the odd one out. index None: they don't tell. pair, away: relative distances of the
    two that are alike and of the odd one from the nearer of them."""

    index: int | None
    alike: bool
    evidence: str
    pair: float
    away: float

    @property
    def strength(self) -> str:
        """ "strong", "fair", or "" when they don't tell."""
        strong = self.away >= STRONG_ODD and self.pair <= STRONG_PAIR
        return "" if self.index is None else "strong" if strong else "fair"


def odd_one_out(ohms: Sequence[float]) -> OddOne:
    """The odd one of three resistances (ohm, > 0), by the distances of their logarithms."""
    gaps = {pair: abs(math.log(ohms[pair[0]] / ohms[pair[1]])) for pair in combinations(range(3), 2)}
    pair = min(gaps, key=lambda p: gaps[p])
    odd = ({0, 1, 2} - set(pair)).pop()
    away = min(gap for p, gap in gaps.items() if p != pair)
    text = (
        f"{ohms[pair[0]]:.4g} and {ohms[pair[1]]:.4g} ohm differ by {100 * math.expm1(gaps[pair]):.1f} %, "
        f"{ohms[odd]:.4g} ohm stands {100 * math.expm1(away):.0f} % away from the nearer"
    )
    alike = max(gaps.values()) <= ALIKE
    tells = not alike and gaps[pair] <= PAIR_MOST and away >= max(ODD_LEAST, ODD_TIMES * gaps[pair])
    return OddOne(
        index=odd if tells else None,
        alike=alike,
        evidence=text,
        pair=math.expm1(gaps[pair]),
        away=math.expm1(away),
    )


def identify(table: PairTable, part: Part | None = None) -> PinReport:
    """The report on a table, blind or against a part file's pin map."""
    circuits = find_circuits(table)
    coils, sensors = _split(circuits)
    base = PinReport(
        outcome="undecided",
        coils=coils,
        sensors=sensors,
        joined=circuits.joined,
        grounded=circuits.grounded,
        empty=circuits.empty,
        missing=tuple(_ordered(pair) for pair in circuits.unproven),
        notes=tuple(_notes(table, circuits)),
    )
    report = _with_functions(base)
    stopped = obstacles(report, table, circuits)
    report = stopped if stopped is not None else report
    return report if part is None else against_part(report, table, part)


def table_from(rows: Sequence[tuple[str, str, float | None, float | None]], lead_ohm: float | None = None) -> PairTable:
    """A table from (pin_a, pin_b, ohm, reversed ohm or None); ohm infinite over range, None = not measured."""
    readings = []
    for a, b, ohm, back in rows:
        if ohm is not None:
            readings.append(PairReading(pin_a=a, pin_b=b, ohm=ohm, reversed_ohm=back))
        elif back is not None:
            readings.append(PairReading(pin_a=b, pin_b=a, ohm=back))
    return PairTable(tuple(readings), lead_ohm, pins_named=tuple({pin for row in rows for pin in row[:2]}))


def _ordered(pair: frozenset[str]) -> tuple[str, str]:
    first, second = told(pair).split("-", 1) if all("-" not in pin for pin in pair) else sorted(pair)
    return first, second


def _split(circuits: Circuits) -> tuple[tuple[Circuit, ...], tuple[Sensor, ...]]:
    """Coils, and sensors: what conducts one way only is no coil, whatever its resistance."""
    coils = [c for c in circuits.coils if not c.one_way]
    found = [c for c in circuits.coils if c.one_way] + list(circuits.sensors)
    if len(coils) == 4 and (cold := _cold_ptc(coils)) is not None:
        coils.remove(cold)
        found.append(cold)
    sensors = tuple(
        Sensor(
            circuit=c,
            kind=sensor_kind(c.ohm, one_way=c.one_way, both_ways=c.reversed_ohm is not None and not c.one_way),
        )
        for c in found
    )
    return tuple(coils), sensors


def _cold_ptc(coils: Sequence[Circuit]) -> Circuit | None:
    """The one of four circuits that may be a cold PTC, when only one can be: the outputs are alike, a coil is not."""
    fitting = []
    for c in coils:
        odd = odd_one_out([other.ohm for other in coils if other is not c])
        if could_be_ptc(c.ohm) and not c.shared and odd.index is not None:
            fitting.append(c)
    return fitting[0] if len(fitting) == 1 else None


def _notes(table: PairTable, circuits: Circuits) -> list[str]:
    notes = []
    if circuits.grounded:
        notes.append(f"Pin {', '.join(circuits.grounded)} is joined to the core: ground.")
    for group in circuits.joined:
        notes.append(f"Pins {told(group)} are one piece of wire: shield and drain, or a doubled pin.")
    for coil in circuits.coils:
        if coil.shared:
            notes.append(f"Coil {coil.name} shares pin {', '.join(coil.shared)} with another circuit.")
    unread = [p for p in table.missing() if p not in circuits.unproven]
    if unread:
        notes.append(f"{len(unread)} pairs were not measured and follow from the others.")
    if all(r.reversed_ohm is None for r in table.readings if math.isfinite(r.ohm)):
        notes.append("Only one polarity was measured: a silicon sensor or a diode would not show.")
    return notes


# ---- functions of the coils ---------------------------------------------------------------------------------


def _with_functions(report: PinReport) -> PinReport:
    """Excitation and outputs where three coils tell them; what stays open; the low-level test is allowed."""
    undecided = [*_open_sensors(report), *_open_missing(report)]
    if len(report.coils) != 3:
        return replace(report, undecided=tuple(undecided))
    odd = odd_one_out([max(c.ohm, 1e-3) for c in report.coils])
    if odd.index is None:
        why = "three coils alike" if odd.alike else "no two coils are clearly alike"
        undecided.insert(
            0, Undecided(what="which coil is the excitation", why=f"{why}: {odd.evidence}", settled_by=AC_TEST)
        )
        return replace(report, undecided=tuple(undecided), evidence=odd.evidence, may_excite=True, labelings=24)
    excitation = report.coils[odd.index]
    a, b = (c for c in report.coils if c is not excitation)
    undecided.append(_labelings())
    clean = not report.missing
    return replace(
        report,
        outcome="measured, no limits" if clean else "undecided",
        excitation=excitation,
        outputs=(a, b),
        confidence=odd.strength,
        evidence=odd.evidence,
        against=_against(odd, excitation),
        undecided=tuple(undecided),
        may_excite=True,
        labelings=8,
    )


def _labelings() -> Undecided:
    return Undecided(
        what="which output is the sine, and the sign of each",
        why="eight equivalent labelings give the same resistances: two outputs to exchange, two signs each",
        settled_by=f"{AC_TEST} It leaves four, which differ by a quarter turn (electrical) of the zero. {KNOWN_GOOD}",
    )


def _against(odd: OddOne, excitation: Circuit) -> str:
    told_against = []
    if odd.pair > STRONG_PAIR:
        told_against.append("the two outputs are not quite alike")
    if odd.away < STRONG_ODD:
        told_against.append("the odd one does not stand far out")
    if excitation.ohm > DOUBTFUL_COIL_OHM:
        told_against.append(f"{excitation.ohm:.4g} ohm is much for a coil: it may be a sensor")
    return "; ".join(told_against) or "nothing in the resistances; only the AC test proves it"


def _open_sensors(report: PinReport) -> list[Undecided]:
    return [
        Undecided(what=f"kind of the sensor on {s.circuit.name}", why=s.kind.note, settled_by=WARM)
        for s in report.sensors
        if len(s.kind.kinds) > 1
    ]


def _open_missing(report: PinReport) -> list[Undecided]:
    if not report.missing:
        return []
    pairs = ", ".join("-".join(pair) for pair in report.missing[:12])
    return [
        Undecided(
            what=f"pins {', '.join(sorted({p for pair in report.missing for p in pair}))}",
            why=f"{len(report.missing)} pairs that could hide a circuit were not measured",
            settled_by=f"Measure {pairs}{' ...' if len(report.missing) > 12 else ''}.",
        )
    ]
