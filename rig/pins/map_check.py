"""Pairs of pins against the pin map of a part file: does it fit, is a coil open, or does another map stand here?

It must never call a coil open because the map is wrong. An open coil closes no other pair: where expected pairs are
open and others conduct, the map or the adapter is at fault and nothing is said about the part; where one coil alone is
open and nothing conducts unexpectedly, it is the part's.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import permutations

from rig.evaluation.inspection.inspection import Inspection
from rig.findings.findings import finding
from rig.findings.pattern import Sign
from rig.observed import Observed
from rig.pins.pin_map import BY_PART, Assignment, PinMap, Sensor, Undecided
from rig.pins.readings import CORE, SHIELD, Pair, PairTable, leaks_of, pair_table, pin_list
from rig.pins.sensors import sensor_kind
from rig.pins.thresholds import COIL_OHM, LEAD_MOST_OHM, SLACK_RELATIVE
from rig.resolver.part import COILS, CoilNominal, Part
from rig.result import Finding
from rig.soundness import scopes
from rig.soundness.rule import Evidence, Rule

NEVER_COIL_LIKE = ("ntc", "pt1000", "silicon")  # kinds of thermistor that never read like a coil
COIL_LIKE = (0.5, 2.0)  # of the lowest and highest nominal coil


@dataclass(frozen=True, slots=True, kw_only=True)
class PinComparison:
    """wanted: coil -> its pins by the part file. ohm: coil -> reading, infinite when open, None when not read. odd:
    pairs that conduct where nothing is expected. off: coils that read other than their nominal. mismatch: evidence that
    another map stands here."""

    wanted: Mapping[str, tuple[str, str]]
    ohm: Mapping[str, float | None]
    odd: Mapping[Pair, float]
    off: tuple[str, ...] = ()
    mismatch: tuple[Evidence, ...] = ()

    @property
    def open(self) -> list[str]:
        """Coils whose pair is open."""
        return [c for c, ohm in self.ohm.items() if ohm is not None and ohm >= COIL_OHM]

    @property
    def lost(self) -> tuple[Evidence, ...]:
        """Evidence that no coil at all stands where the part file has it."""
        all_open = bool(self.wanted) and len(self.open) == len(self.wanted)
        return tuple(Evidence(figures=one.figures) for one in self.mismatch) if all_open else ()

    @property
    def unread(self) -> list[str]:
        """Coils whose pair was not read."""
        return [c for c, ohm in self.ohm.items() if ohm is None]

    def odd_text(self) -> str:
        """The pairs that conduct where nothing is expected, as evidence."""
        return ", ".join(sorted(f"{pin_list(pair)} {ohm:.3g} ohm" for pair, ohm in self.odd.items()))


def pins_by_coil(part: Part) -> dict[str, tuple[str, str]]:
    """Coil (and "thermistor") -> its pins by the part file, as far as they are named; high end first."""
    names = (*COILS, "thermistor")
    return {c: (part.pins[f"{c}_hi"], part.pins[f"{c}_lo"]) for c in names if {f"{c}_hi", f"{c}_lo"} <= set(part.pins)}


def compare(table: PairTable, part: Part) -> PinComparison:
    """What was read beside what the part file expects."""
    pins = pins_by_coil(part)
    wanted = {c: pins[c] for c in COILS if c in pins}
    ohm = {c: table.ohm(*pair) for c, pair in wanted.items()}
    expected = {frozenset(pair) for pair in pins.values()}
    odd = {}
    for reading in (r for r in table.readings if not r.pair & {CORE, SHIELD} and r.pair not in expected):
        value = table.ohm(reading.pin_a, reading.pin_b)
        if value is not None and value < COIL_OHM:
            odd[reading.pair] = value
    seen = PinComparison(wanted=wanted, ohm=ohm, odd=odd)
    if seen.open:
        seen = replace(seen, odd=odd | _coil_on_thermistor(table, part))
        moved = seen.odd or len(seen.open) >= 2
        return replace(seen, mismatch=(_other_map(seen),)) if moved else seen
    off = tuple(c for c, n in part.coils.items() if (v := ohm.get(c)) is not None and not _near(v, n, table.is_zeroed))
    seen = replace(seen, off=off)
    return replace(seen, mismatch=tuple(_exchange_evidence(seen, part, table.is_zeroed)))


def _coil_on_thermistor(table: PairTable, part: Part) -> dict[Pair, float]:
    """The thermistor's pins when they read like a coil, and a thermistor of this kind never does."""
    pair, nominal = pins_by_coil(part).get("thermistor"), [n.r20_ohm for n in part.coils.values()]
    ohm = None if pair is None else table.ohm(*pair)
    if pair is None or ohm is None or not nominal or part.thermistor.kind not in NEVER_COIL_LIKE:
        return {}
    like_a_coil = COIL_LIKE[0] * min(nominal) < ohm < COIL_LIKE[1] * max(nominal)
    return {frozenset(pair): ohm} if like_a_coil else {}


def _other_map(seen: PinComparison) -> Evidence:
    lost = ", ".join(f"{c} on {pin_list(seen.wanted[c])}" for c in seen.open)
    evidence = f"open where a coil is expected: {lost}; conducting elsewhere: {seen.odd_text() or 'nothing'}"
    if seen.odd:
        return Evidence(figures=evidence)
    return Evidence(
        figures=evidence,
        text="The pin map does not fit: expected pairs are open and nothing else conducts.",
        next="Check that the adapter is seated and belongs to this part number, then read again.",
    )


def _near(ohm: float, nominal: CoilNominal, zeroed: bool) -> bool:
    """Within the part file's tolerance, 10 K of room temperature either way and the leads where they may be in."""
    slack = (nominal.tolerance + SLACK_RELATIVE) * nominal.r20_ohm
    return -slack <= ohm - nominal.r20_ohm <= slack + (0.0 if zeroed else LEAD_MOST_OHM)


def _exchange_evidence(seen: PinComparison, part: Part, zeroed: bool) -> list[Evidence]:
    """All pairs conduct, but the coils' values stand on each other's pins."""
    if seen.unread or not set(COILS) <= set(part.coils) & set(seen.wanted):
        return []
    ohms = {c: ohm for c, ohm in seen.ohm.items() if ohm is not None}
    for order in permutations(COILS):
        moved = [(c, o, ohms[c]) for c, o in zip(COILS, order, strict=True) if c != o]
        if moved and all(c in seen.off and _near(ohm, part.coils[o], zeroed) for c, o, ohm in moved):
            return [
                Evidence(
                    text="The pin map does not fit: the values of the coils "
                    f"{', '.join(c for c, _, _ in moved)} stand on each other's pins.",
                    figures=", ".join(
                        f"{pin_list(seen.wanted[c])} reads {ohm:.3g} ohm, nominal of {c} {part.coils[c].r20_ohm:.3g}, "
                        f"of {o} {part.coils[o].r20_ohm:.3g}"
                        for c, o, ohm in moved
                    ),
                    next="Check adapter, part number and pin map; take the map that was found as a draft part file.",
                )
            ]
    return []


def run_table(obs: Observed) -> PairTable:
    """The pairs and leaks of a run, its coils named by the part file's pins."""
    leaks = leaks_of(obs.readings, pins_by_coil(obs.part))
    return replace(pair_table(obs.readings, obs.holder.lead_ohm), leaks=leaks)


def pin_map_mismatch(inspection: Inspection) -> Sequence[Evidence]:
    """The pairs of a run against the part file's map."""
    return compare(run_table(inspection.observed), inspection.observed.part).mismatch


def wrong_adapter(inspection: Inspection) -> Sequence[Evidence]:
    """No coil of a run where the part file has it."""
    return compare(run_table(inspection.observed), inspection.observed.part).lost


MISMATCH = Rule(
    code="pin-map-mismatch",
    looks_at="pairs of pins against the part file's map",
    check=pin_map_mismatch,
    text="The pin map does not fit: expected pairs are open, others are closed. The coils stand on other pins.",
    next="Check adapter and part number. If both are right, take the map that was found as a draft part file.",
    spoils=scopes.everything,
    blocked_by=("live-circuit",),
)
WRONG_ADAPTER = Rule(
    code="wrong-adapter",
    looks_at="whether any coil stands where the part file has it",
    check=wrong_adapter,
    text="No coil is where the part file has it: this may be another part's adapter.",
    next="Fit the adapter that belongs to this part number.",
    spoils=scopes.everything,
    blocked_by=("live-circuit",),
)


# ---- a table beside a part file ---------------------------------------------------------------------------------


def against_part(found: PinMap, table: PairTable, part: Part) -> PinMap:
    """The pin map beside what the part file expects."""
    if any(reason.code == "live-circuit" for reason in found.reasons):
        return found
    seen = compare(table, part)
    if seen.mismatch:
        others = tuple(r for r in found.reasons if r.code == "leads-not-zeroed")
        free = replace(found, reasons=others, findings=(), matches_part=False, undecided=())
        reasons = (*map(MISMATCH.reason, seen.mismatch), *map(WRONG_ADAPTER.reason, seen.lost))
        return free.block("unsound measurement", *reasons)
    if seen.unread:
        return _not_covered(found, seen)
    if seen.open:
        return _open_coil(found, seen)
    if found.reasons or (found.findings and found.blocked_by == found.findings[-1].code):
        return replace(found, matches_part=True)
    return _fitting(found, seen, part)


def _not_covered(found: PinMap, seen: PinComparison) -> PinMap:
    pairs = ", ".join(f"{c} {pin_list(seen.wanted[c])}" for c in seen.unread)
    item = Undecided(
        what="whether the part file's pin map fits",
        why=f"the table does not hold these pairs: {pairs}",
        settled_by="Measure them, with the part file's own pin names.",
    )
    return replace(
        found,
        outcome=found.outcome if found.reasons else "undecided",
        undecided=(item, *found.undecided),
        blocked_by=found.blocked_by or "pairs not measured",
    )


def _open_coil(found: PinMap, seen: PinComparison) -> PinMap:
    name = seen.open[0]
    ohm = seen.ohm[name] or math.inf
    shown = "over range" if math.isinf(ohm) else f"{ohm:.4g} ohm"
    sign = Sign(
        weight=0.9,
        name=name,
        evidence=f"pins {pin_list(seen.wanted[name])} read {shown}, the "
        "other coils stand where they should, and nothing conducts that should not",
        against="a bent pin or a broken adapter lead looks the same",
        next_test="Wiggle the lead while reading; read again at the part's own terminals.",
    )
    plain = replace(found, reasons=(), findings=(), undecided=(), matches_part=True)
    return plain.suspect(finding("open-coil", sign), "outside limits")


def _fitting(found: PinMap, seen: PinComparison, part: Part) -> PinMap:
    """All coils conduct where they should."""
    mine = {pin for pair in seen.wanted.values() for pin in pair}
    if any(pair & mine for pair in seen.odd):
        sign = Sign(
            weight=0.7,
            text="Coils conduct to each other or to other pins.",
            evidence=f"conducting where nothing is expected: {seen.odd_text()}",
            against="a part of another number with shared returns, or circuits of other electronics on these pins",
            next_test="Check the part number; read the pairs again at the part's own terminals.",
        )
        return replace(found, findings=(), matches_part=True).suspect(finding("leak-coil-coil", sign))
    by_pins = {frozenset(c.pins): c for c in found.coils}
    named = [c for pins in seen.wanted.values() if (c := by_pins.get(frozenset(pins))) is not None]
    if len(named) < len(COILS):
        return replace(found, matches_part=True, blocked_by=found.blocked_by or "circuits not understood")
    others = [Sensor(circuit=c, kind=sensor_kind(c.ohm)) for c in found.coils if c not in named]
    return replace(
        found,
        coils=tuple(c for c in found.coils if c in named),
        sensors=(*found.sensors, *others),
        outcome="undecided" if seen.off else "measured, no limits",
        findings=(*found.findings, *(_off_value(c, seen.ohm[c] or 0.0, part.coils[c].r20_ohm) for c in seen.off)),
        assignment=Assignment(
            excitation=named[0],
            outputs=(named[1], named[2]),
            by=BY_PART,
            evidence=found.evidence or "the coils stand on the part file's pins",
            against="nothing",
        ),
        undecided=(),
        labelings=1,
        matches_part=True,
        blocked_by=f"{seen.off[0]} coil off its nominal" if seen.off else "",
    )


def _off_value(coil: str, ohm: float, nominal_ohm: float) -> Finding:
    high = ohm > nominal_ohm
    sign = Sign(
        weight=0.5,
        text=f"The {coil} coil reads {'more' if high else 'less'} than its nominal allows.",
        evidence=f"{ohm:.4g} ohm, nominal {nominal_ohm:.4g} ohm at 20 degC",
        against="a wrong part number or a wrong nominal in the part file shows the same",
        next_test="Read it with four wires on the bench (quick_screen), at a known temperature.",
    )
    return finding("contact-resistance" if high else "shorted-turns", sign)
