"""A table of pairs against the pin map of a part file: does it fit, is a coil open, or does another map stand here?

It must never call a coil open because the map is wrong. An open coil closes no other pair: where expected pairs are
open and others conduct, the map or the adapter is at fault and nothing is said about the part; where one coil alone is
open and nothing conducts unexpectedly, it is the part's.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import permutations

from rig.diagnosis.pins_report import PinReport, Undecided, blocked
from rig.diagnosis.pins_table import COIL_OHM, CORE, SHIELD, Pair, PairTable, told
from rig.resolver.part import COILS, Part
from rig.result import Finding, Reason

LEADS_MOST_OHM = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class _Compared:
    wanted: dict[str, Pair]
    ohm: dict[str, float | None]
    odd: dict[Pair, float]

    @property
    def open(self) -> list[str]:
        return [c for c, v in self.ohm.items() if v is not None and v >= COIL_OHM]

    @property
    def unread(self) -> list[str]:
        return [c for c, v in self.ohm.items() if v is None]


def against_part(report: PinReport, table: PairTable, part: Part) -> PinReport:
    """The report beside what the part file expects."""
    if any(reason.code == "live-circuit" for reason in report.reasons):
        return report
    seen = _compare(table, part)
    if len(seen.unread) == len(seen.wanted):
        return _unread(report, seen)
    if (mismatch := _mismatch(seen, table, part)) is not None:
        others = tuple(r for r in report.reasons if r.code == "leads-not-zeroed")
        free = replace(report, reasons=others, findings=(), matches_part=False, undecided=())
        return blocked(free, mismatch, "unsound measurement")
    if seen.unread:
        return _unread(report, seen)
    if seen.open:
        return _open_coil(report, seen)
    if report.reasons or report.blocked_by in ("moisture", "leak-coil-core", "leak-coil-coil"):
        return replace(report, matches_part=True)
    return _fits(report, seen, table, part)


def _compare(table: PairTable, part: Part) -> _Compared:
    pins = part.pins
    wanted = {c: frozenset((pins[f"{c}_hi"], pins[f"{c}_lo"])) for c in COILS}
    ohm = {c: table.ohm(*sorted(pair)) for c, pair in wanted.items()}
    thermistor = frozenset((pins.get("thermistor_hi", ""), pins.get("thermistor_lo", "")))
    odd = {}
    for reading in table.readings:
        value = table.ohm(reading.pin_a, reading.pin_b)
        named = {CORE, SHIELD} & reading.pair
        if value is not None and value < COIL_OHM and not named and reading.pair not in (*wanted.values(), thermistor):
            odd[reading.pair] = value
    return _Compared(wanted=wanted, ohm=ohm, odd=odd)


def _unread(report: PinReport, seen: _Compared) -> PinReport:
    pairs = ", ".join(f"{c} {told(seen.wanted[c])}" for c in seen.unread)
    item = Undecided(
        what="whether the part file's pin map fits",
        why=f"the table does not hold these pairs: {pairs}",
        settled_by="Measure them, with the part file's own pin names.",
    )
    return replace(
        report,
        outcome=report.outcome if report.reasons else "undecided",
        undecided=(item, *report.undecided),
        may_excite=False,
        blocked_by=report.blocked_by or "pairs not measured",
    )


def _mismatch(seen: _Compared, table: PairTable, part: Part) -> list[Reason] | None:
    missing = seen.open
    if missing and (seen.odd or len(missing) >= 2):
        return _other_map(seen)
    if missing or seen.unread:
        return None
    return _values_elsewhere(seen, table, part)


def _other_map(seen: _Compared) -> list[Reason]:
    lost = ", ".join(f"{c} on {told(seen.wanted[c])}" for c in seen.open)
    odd = ", ".join(f"{told(p)} {v:.3g} ohm" for p, v in sorted(seen.odd.items(), key=lambda item: told(item[0])))
    evidence = f"open where a coil is expected: {lost}; conducting where none is expected: {odd or 'nothing'}"
    if seen.odd:
        text = "The pin map does not fit: expected pairs are open, others are closed. The coils stand on other pins."
        next_ = "Check adapter and part number. If both are right, take the map that was found as a draft part file."
    else:
        text = "The pin map does not fit: expected pairs are open and nothing else conducts."
        next_ = "Check that the adapter is seated and belongs to this part number, then read again."
    reasons = [Reason(code="pin-map-mismatch", text=text, evidence=evidence, next=next_)]
    if len(seen.open) == len(seen.wanted):
        reasons.append(
            Reason(
                code="wrong-adapter",
                text="No coil is where the part file has it: this may be another part's adapter.",
                evidence=evidence,
                next="Fit the adapter that belongs to this part number.",
            )
        )
    return reasons


def _nominals(seen: _Compared, part: Part) -> dict[str, tuple[float, float]]:
    return {c: (n.r20_ohm, n.tolerance) for c, n in part.coils.items() if c in seen.wanted}


def _near(ohm: float, nominal: tuple[float, float], zeroed: bool) -> bool:
    """Within the part file's tolerance, 10 K of room temperature either way and the leads where they may be in."""
    r20, tolerance = nominal
    slack = (tolerance + 0.04) * r20
    return -slack <= ohm - r20 <= slack + (0.0 if zeroed else LEADS_MOST_OHM)


def _values_elsewhere(seen: _Compared, table: PairTable, part: Part) -> list[Reason] | None:
    """All pairs conduct, but a coil's value stands on another coil's pins."""
    nominals = _nominals(seen, part)
    ohms = {c: v for c, v in seen.ohm.items() if v is not None}
    if len(nominals) < 3 or all(_near(ohms[c], nominals[c], table.zeroed) for c in COILS):
        return None
    for order in permutations(COILS):
        if all(_near(ohms[c], nominals[o], table.zeroed) for c, o in zip(COILS, order, strict=True)):
            moved = ", ".join(
                f"{told(seen.wanted[c])} reads {ohms[c]:.3g} ohm, nominal of {c} {nominals[c][0]:.3g}, of {o} "
                f"{nominals[o][0]:.3g}"
                for c, o in zip(COILS, order, strict=True)
                if c != o
            )
            return [
                Reason(
                    code="pin-map-mismatch",
                    text="The pin map does not fit: the coils' values stand on each other's pins.",
                    evidence=moved,
                    next="Check adapter, part number and pin map; take the map that was found as a draft part file.",
                )
            ]
    return None


def _open_coil(report: PinReport, seen: _Compared) -> PinReport:
    name = seen.open[0]
    ohm = seen.ohm[name] or math.inf
    finding = Finding(
        code="open-coil",
        probability=0.9,
        text=f"The {name} coil is open.",
        evidence=f"pins {told(seen.wanted[name])} read {'over range' if math.isinf(ohm) else f'{ohm:.4g} ohm'}, the "
        "other coils stand where they should, and nothing conducts that should not",
        against="a bent pin or a broken adapter lead looks the same",
        next_test="Wiggle the lead while reading; read again at the part's own terminals.",
    )
    return replace(
        report,
        outcome="outside limits",
        reasons=(),
        findings=(finding,),
        undecided=(),
        matches_part=True,
        may_excite=False,
        blocked_by=finding.code,
    )


def _fits(report: PinReport, seen: _Compared, table: PairTable, part: Part) -> PinReport:
    """All coils conduct where they should."""
    if seen.odd:
        pairs = ", ".join(f"{told(p)} {v:.3g} ohm" for p, v in sorted(seen.odd.items(), key=lambda item: told(item[0])))
        finding = Finding(
            code="leak-coil-coil",
            probability=0.7,
            text="Coils conduct to each other or to other pins.",
            evidence=f"conducting where nothing is expected: {pairs}",
            against="a part of another number with shared returns, or circuits of other electronics on these pins",
            next_test="Check the part number; read the pairs again at the part's own terminals.",
        )
        if any(pin in pair for pair in seen.odd for wanted in seen.wanted.values() for pin in wanted):
            return replace(
                report,
                outcome="undecided",
                findings=(finding,),
                matches_part=True,
                may_excite=False,
                blocked_by=finding.code,
            )
    nominals, ohms = _nominals(seen, part), seen.ohm
    off = [c for c in nominals if not _near(ohms[c] or 0.0, nominals[c], table.zeroed)]
    findings = [_off_value(c, ohms[c] or 0.0, nominals[c][0]) for c in off]
    by_pair = {frozenset(c.pins): c for c in report.coils}
    named = {c: by_pair.get(pair) for c, pair in seen.wanted.items()}
    exc, sin, cos = named["exc"], named["sin"], named["cos"]
    outputs = (sin, cos) if sin is not None and cos is not None else report.outputs
    return replace(
        report,
        outcome="undecided" if off else "measured, no limits",
        reasons=(),
        findings=(*report.findings, *findings),
        excitation=exc or report.excitation,
        outputs=outputs,
        undecided=(),
        labelings=1,
        confidence="by the part file",
        matches_part=True,
        may_excite=not off,
        blocked_by=off[0] + " coil off its nominal" if off else "",
    )


def _off_value(coil: str, ohm: float, nominal: float) -> Finding:
    high = ohm > nominal
    return Finding(
        code="contact-resistance" if high else "shorted-turns",
        probability=0.5,
        text=f"The {coil} coil reads {'more' if high else 'less'} than its nominal allows.",
        evidence=f"{ohm:.4g} ohm, nominal {nominal:.4g} ohm at 20 degC",
        against="a wrong part number or a wrong nominal in the part file shows the same",
        next_test="Read it with four wires on the bench (quick_screen), at a known temperature.",
    )
