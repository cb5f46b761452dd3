"""The search for pins: from pairs of pins to coils by function, for a table by hand and a run alike.

It must never know a file or an instrument, and never guesses one wire: the two alike coils are the outputs, the odd one
out is the excitation whether it is the lowest or the highest; three alike wait for the AC test; signs and the split
into sine and cosine wait for a known-good part or a wiring diagram. What is not this kind of part stops before
anything is excited.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any

from rig.answer import PinsAnswer
from rig.evaluation.evaluated import Evaluated
from rig.pins.ac_test import AC_TEST, KNOWN_GOOD, driven_coils, evaluate_ac, with_ac
from rig.pins.circuits import Circuits, find_circuits
from rig.pins.isolation import forbidden, live_circuit, permit
from rig.pins.map_check import against_part
from rig.pins.obstacles import obstacles
from rig.pins.pin_map import AcReport, Assignment, Circuit, PinMap, Sensor, Undecided, pair_names
from rig.pins.readings import PairTable, leaks_of, natural, pair_table, pin_list
from rig.pins.sensors import WARM, could_be_ptc, sensor_kind
from rig.pins.thresholds import (
    ALIKE,
    DOUBTFUL_COIL_OHM,
    ODD_LEAST,
    ODD_TIMES,
    PAIR_MOST,
    STRONG_ODD,
    STRONG_PAIR,
)
from rig.resolver.part import COILS, Part
from rig.result import Judgement, Reason


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


def identify(table: PairTable, part: Part | None = None) -> PinMap:
    """The pin map of a table, blind or against a part file's."""
    circuits = find_circuits(table)
    coils, sensors = _split(circuits)
    found = PinMap(
        outcome="undecided",
        coils=coils,
        sensors=sensors,
        joined=circuits.joined,
        grounded=circuits.grounded,
        empty=circuits.empty,
        missing=circuits.unproven,
        notes=tuple(_notes(table, circuits)),
    )
    found = _assigned(replace(found, undecided=(*_open_sensors(found), *_open_missing(found))))
    found = obstacles(found, table, circuits) or found
    return permit(found if part is None else against_part(found, table, part), table)


# ---- every door -----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundPins:
    """table: the pairs as read; found: what they say, with the AC test in it where one was made; ac: that test."""

    table: PairTable
    found: PinMap
    ac: AcReport | None = None

    def to_dict(self) -> dict[str, Any]:
        """The object under `pins` in --json."""
        return self.found.to_dict() | {"ac": self.ac.to_dict() if self.ac else None}

    def judgement(self) -> Judgement:
        """As a run's judgement: no line of the part is judged; the pins are its answer."""
        return Judgement(
            outcome=self.found.outcome,
            judged=(),
            reasons=self.found.reasons,
            findings=self.found.findings,
            answer=PinsAnswer(pins=self.to_dict()),
            notes=self.found.notes,
        )


def find_pins(evaluated: Evaluated, part: Part | None = None) -> FoundPins:
    """The pins of a run or of a table by hand, blind or against a part's pin map. Voltage on a pin stops everything.

    Leaks of a blind run are named exc, sin and cos after its coils in natural order.
    """
    obs = evaluated.observed
    table = pair_table(obs.readings, obs.holder.lead_ohm)
    if obs.select("leak_resistance"):
        coils = dict(zip(COILS, (c.pins for c in identify(table).coils), strict=False))
        table = replace(table, leaks=leaks_of(obs.readings, coils))
    found = identify(table, part)
    if live := live_circuit(obs.readings, table):
        return FoundPins(table=table, found=replace(found, reasons=()).block("unsound measurement", *live))
    tests = driven_coils(evaluated)
    if len(tests) < len(COILS):
        return FoundPins(table=table, found=found)
    ac = evaluate_ac(tests)
    return FoundPins(table=table, found=with_ac(found, ac), ac=ac)


def forbids_low_level(evaluated: Evaluated) -> list[Reason]:
    """Why the low-level test must not begin; empty when it may."""
    found = find_pins(evaluated).found
    if found.may_excite or found.reasons:
        return list(found.reasons)
    evidence = found.findings[0].text if found.findings else "; ".join(item.why for item in found.undecided)
    return [forbidden("The circuits do not allow the low-level test.", f"{found.blocked_by}: {evidence}")]


# ---- circuits -------------------------------------------------------------------------------------------------


def _split(circuits: Circuits) -> tuple[tuple[Circuit, ...], tuple[Sensor, ...]]:
    """Coils, and sensors: what conducts one way only is no coil, whatever its resistance."""
    coils = [c for c in circuits.coils if not c.one_way]
    others = [c for c in circuits.coils if c.one_way] + list(circuits.sensors)
    if len(coils) == 4 and (cold := _cold_ptc(coils)) is not None:
        coils.remove(cold)
        others.append(cold)
    kinds = [sensor_kind(c.ohm, one_way=c.one_way, both_ways=c.reversed_ohm is not None) for c in others]
    return tuple(coils), tuple(Sensor(circuit=c, kind=kind) for c, kind in zip(others, kinds, strict=True))


def _cold_ptc(coils: Sequence[Circuit]) -> Circuit | None:
    """The one of four circuits that may be a cold PTC, when only one can be: the outputs are alike, a coil is not."""
    fitting = []
    for c in coils:
        odd = odd_one_out([other.ohm for other in coils if other is not c])
        if could_be_ptc(c.ohm) and not c.shared and odd.index is not None:
            fitting.append(c)
    return fitting[0] if len(fitting) == 1 else None


def _notes(table: PairTable, circuits: Circuits) -> list[str]:
    notes = [f"Pin {', '.join(circuits.grounded)} is joined to the core: ground."] if circuits.grounded else []
    notes += [f"Pins {pin_list(g)} are one piece of wire: shield and drain, or a doubled pin." for g in circuits.joined]
    notes += [
        f"Coil {coil.name} shares pin {', '.join(coil.shared)} with another circuit."
        for coil in circuits.coils
        if coil.shared
    ]
    unread = [pair for pair in table.missing() if pair not in circuits.unproven]
    if unread:
        notes.append(f"{len(unread)} pairs were not measured and follow from the others.")
    if all(r.reversed_ohm is None for r in table.readings if math.isfinite(r.ohm)):
        notes.append("Only one polarity was measured: a silicon sensor or a diode would not show.")
    return notes


def _open_sensors(found: PinMap) -> list[Undecided]:
    return [
        Undecided(what=f"kind of the sensor on {s.circuit.name}", why=s.kind.note, settled_by=WARM)
        for s in found.sensors
        if len(s.kind.kinds) > 1
    ]


def _open_missing(found: PinMap) -> list[Undecided]:
    if not found.missing:
        return []
    pins = sorted({pin for pair in found.missing for pin in pair}, key=natural)
    return [
        Undecided(
            what=f"pins {', '.join(pins)}",
            why=f"{len(found.missing)} pairs that could hide a circuit were not measured",
            settled_by=f"Measure {pair_names(found.missing)}.",
        )
    ]


# ---- functions of the coils -------------------------------------------------------------------------------------


def _assigned(found: PinMap) -> PinMap:
    """Excitation and outputs where the resistances of three coils tell them, and what stays open."""
    if len(found.coils) != 3:
        return found
    odd = odd_one_out([max(c.ohm, 1e-3) for c in found.coils])
    if odd.index is None:
        why = "three coils alike" if odd.alike else "no two coils are clearly alike"
        item = Undecided(what="which coil is the excitation", why=f"{why}: {odd.evidence}", settled_by=AC_TEST)
        return replace(found, undecided=(item, *found.undecided), evidence=odd.evidence, labelings=24)
    excitation = found.coils[odd.index]
    a, b = (c for c in found.coils if c is not excitation)
    item = Undecided(
        what="which output is the sine, and the sign of each",
        why="eight equivalent labelings give the same resistances: two outputs to exchange, two signs each",
        settled_by=f"{AC_TEST} It leaves four, which differ by a quarter turn (electrical) of the zero. {KNOWN_GOOD}",
    )
    return replace(
        found,
        outcome="undecided" if found.missing else "measured, no limits",
        assignment=Assignment(
            excitation=excitation,
            outputs=(a, b),
            by=odd.strength,
            evidence=odd.evidence,
            against=_against(odd, excitation),
        ),
        evidence=odd.evidence,
        undecided=(*found.undecided, item),
        labelings=8,
    )


def _against(odd: OddOne, excitation: Circuit) -> str:
    doubts = []
    if odd.pair > STRONG_PAIR:
        doubts.append("the two outputs are not quite alike")
    if odd.away < STRONG_ODD:
        doubts.append("the odd one does not stand far out")
    if excitation.ohm > DOUBTFUL_COIL_OHM:
        doubts.append(f"{excitation.ohm:.4g} ohm is much for a coil: it may be a sensor")
    return "; ".join(doubts) or "nothing in the resistances; only the AC test proves it"
