"""What stops the search for pins before anything is excited: voltage, leads, moisture, leaks, other kinds of part.

It must never know a part file. Order matters: what makes the readings worthless comes before what they would mean.
Other kinds (trade.md 4): transmitters have three-wire stars, two-speed parts more than three coils, tachogenerators
and pick-ups fewer, encoders semiconductors and kiloohms everywhere. Two coils beside unused pins may also be this
kind of part with an open coil: that stays undecided.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from rig.diagnosis.pins_circuits import Circuits, Leak
from rig.diagnosis.pins_report import PinReport, Undecided, blocked
from rig.diagnosis.pins_table import CORE, PairTable, told
from rig.result import Finding, Reason

LEAST_UNZEROED_OHM = 3.0  # below, half an ohm of leads decides what is alike
LEAK_BLOCKS_OHM = 1e4
ELECTRONICS_PAIRS = 3


def obstacles(report: PinReport, table: PairTable, circuits: Circuits) -> PinReport | None:
    """The report as it stands when something is in the way; None when nothing is."""
    for look in (_live, _conflicts, _leads, _wet, _meshes, _count, _leaks):
        found = look(report, table, circuits)
        if found is not None:
            return found
    return None


def _live(report: PinReport, table: PairTable, _circuits: Circuits) -> PinReport | None:
    readings = table.live()
    if not readings:
        return None
    worst = min(readings, key=lambda r: min(r.ohm, r.reversed_ohm or 0.0))
    low = min(worst.ohm, worst.reversed_ohm or 0.0)
    reason = Reason(
        code="live-circuit",
        text="There is voltage on the part: a resistance can't be below zero.",
        evidence=f"pins {told(worst.pair)} read {low:.4g} ohm; {len(readings)} of {len(table.readings)} pairs do",
        next="Unplug the part from whatever feeds it, let it rest, then read again; test removed parts only.",
    )
    return blocked(_bare(report), [reason], "unsound measurement")


def _conflicts(report: PinReport, table: PairTable, _circuits: Circuits) -> PinReport | None:
    if not table.conflicts:
        return None
    pairs = "; ".join(f"{a}-{b}: {x:.4g} and {y:.4g} ohm" for a, b, x, y in table.conflicts[:6])
    reason = Reason(
        code="point-disturbed",
        text="Some pairs were told twice and the values differ.",
        evidence=pairs,
        next="Read these pairs again; a joint that comes and goes is a finding of its own.",
    )
    return blocked(report, [reason], "undecided")


def _leads(report: PinReport, table: PairTable, circuits: Circuits) -> PinReport | None:
    small = [c.ohm for c in circuits.coils if not c.one_way] + [v for m in circuits.meshes for v in m.ohms]
    if table.zeroed or not small or min(small) >= LEAST_UNZEROED_OHM:
        return None
    left = circuits.lead_left_ohm
    sums = ""
    if left is not None and 0.05 <= left <= 0.5 * min(small):
        sums = f"; sums along shared pins speak for {left:.2g} ohm"
    star = " Three pins that read alike may be a three-wire star or ring: with the leads off it can be told."
    reason = Reason(
        code="leads-not-zeroed",
        text="Lead resistance is not removed from the readings, and these circuits are too small to do without.",
        evidence=f"the smallest circuit reads {min(small):.3g} ohm, and nothing says that leads were taken off{sums}."
        + (star if any(m.star for m in circuits.meshes) or _three_alike(report) else ""),
        next="Short the probes, take off what they read (or measure with four wires), then give the table again.",
    )
    undecided = Undecided(
        what="which coil is which",
        why="leads of a few tenths of an ohm make unlike coils alike",
        settled_by="The same table with the leads zeroed.",
    )
    plain = tuple(replace(coil, shared=()) for coil in report.coils)
    bare = replace(_bare(report), undecided=(undecided,), coils=plain, notes=())
    return blocked(bare, [reason], "undecided")


def _three_alike(report: PinReport) -> bool:
    return len({pin for c in report.coils for pin in c.pins}) == 3


def _wet(report: PinReport, _table: PairTable, circuits: Circuits) -> PinReport | None:
    if not circuits.wet:
        return None
    evidence = f"{circuits.wet_pairs} couples of circuits conduct ({100 * circuits.wet_share:.0f} % of those apart)"
    if not circuits.coils:
        return _not_this_kind(
            report,
            "No winding, and almost every pair conducts: this looks like an encoder or other electronics.",
            evidence,
        )
    return moist(report, evidence)


def moist(report: PinReport, evidence: str) -> PinReport:
    """The report of a wet or dirty part: nothing is excited."""
    finding = Finding(
        code="moisture",
        probability=0.8,
        text="Almost everything leaks to everything: moisture or dirt in the part or its connector.",
        evidence=evidence,
        against="a dirty connector or adapter shows the same",
        next_test="Clean the connector, dry the part at 60 to 80 degC, let it cool, read again.",
    )
    return replace(report, outcome="undecided", may_excite=False, blocked_by="moisture", findings=(finding,))


def _meshes(report: PinReport, _table: PairTable, circuits: Circuits) -> PinReport | None:
    if not circuits.meshes:
        return None
    for mesh in circuits.meshes:
        if mesh.star:
            ohms = ", ".join(f"{v:.4g}" for v in mesh.ohms)
            return _not_this_kind(
                report,
                "Three pins form a three-wire star: this looks like a transmitter (synchro), not a resolver.",
                f"pins {told(mesh.pins)} read {ohms} ohm between any two",
            )
    mesh = max(circuits.meshes, key=lambda m: len(m.pins))
    if len(mesh.pins) >= 4 and not circuits.coils:
        return _not_this_kind(
            report,
            "The pins hang together in no way that coils do: this looks like an encoder or other electronics.",
            f"pins {told(mesh.pins)} conduct to each other, and no sum of circuits explains the values",
        )
    open_ = Undecided(
        what=f"pins {told(mesh.pins)}",
        why="they conduct to each other, and no chain of coils explains it: a short between coils, or another part",
        settled_by="Read these pairs again; compare with a known-good part of the same number.",
    )
    return replace(
        _bare(report), undecided=(*report.undecided, open_), outcome="undecided", blocked_by="circuits not understood"
    )


def _count(report: PinReport, _table: PairTable, circuits: Circuits) -> PinReport | None:
    """By the number of coils."""
    n = len(report.coils)
    ohms = ", ".join(f"{c.name} {c.ohm:.4g} ohm" for c in report.coils)
    if n == 3:
        return None
    if n >= 5 or (n == 4 and not report.missing and _two_pairs(report)):
        kind = f"{n} coils: this looks like a two-speed part, or one with two excitations or centre taps."
        return _not_this_kind(report, kind, ohms)
    if n < 3 and report.missing:
        return _open(report, f"only {n} coils found so far", "Measure the missing pairs.")
    if n == 4:
        why = f"four circuits look like coils ({ohms}): one may be a cold PTC, or the part has four coils"
        return _open(report, why, "Warm the part by hand, or measure inductance: a PTC has none.")
    if circuits.coils_on_core:
        return None if n == 3 else _on_core(report, circuits)
    if n == 2 and len(report.empty) >= 2:
        why = f"two coils ({ohms}) and pins {', '.join(report.empty)} open: an open coil, or another kind of part"
        return _open(report, why, "Compare with a known-good part, or look the part number up.")
    if n in (1, 2):
        kind = "a tachogenerator or a pick-up" if n == 1 else "a two-winding tachogenerator, or two pick-ups"
        return _not_this_kind(report, f"{n} coil{'s' * (n > 1)} and no more: this looks like {kind}.", ohms)
    return _no_coil(report, circuits)


def _two_pairs(report: PinReport) -> bool:
    a, b, c, d = sorted(c.ohm for c in report.coils)
    return b <= 1.06 * a and d <= 1.06 * c


def _no_coil(report: PinReport, circuits: Circuits) -> PinReport:
    semiconductors = sum(s.circuit.one_way for s in report.sensors)
    conducting = len(report.sensors) + len(circuits.leaks)
    if semiconductors >= 2 or conducting >= ELECTRONICS_PAIRS:
        return _not_this_kind(
            report,
            "No winding, but semiconductors or kiloohms: this looks like an encoder or other electronics.",
            f"{conducting} circuits above 1 kohm or polarised, no coil",
        )
    return _open(
        report,
        "no coil found: nothing below 1 kohm conducts",
        "Check that the adapter is seated and that the probes reach the pins, then read again.",
    )


def _leaks(report: PinReport, _table: PairTable, circuits: Circuits) -> PinReport | None:
    if circuits.coils_on_core:
        return _on_core(report, circuits)
    if not circuits.leaks:
        return None
    return with_leaks(report, circuits.leaks)


def with_leaks(report: PinReport, leaks: Sequence[Leak]) -> PinReport:
    """The report with a finding for each leak (at least one); below 10 kohm nothing is excited."""
    report = replace(report, findings=(*report.findings, *(_leak_finding(leak) for leak in leaks)))
    worst = min(leaks, key=lambda leak: leak.ohm)
    if worst.ohm >= LEAK_BLOCKS_OHM:
        return report
    return replace(report, outcome="undecided", may_excite=False, blocked_by=_code(worst))


def _code(leak: Leak) -> str:
    return "leak-coil-core" if CORE in (*leak.a, *leak.b) else "leak-coil-coil"


def _leak_finding(leak: Leak) -> Finding:
    return Finding(
        code=_code(leak),
        probability=0.7,
        text=f"Pins {told(leak.a)} leak to {told(leak.b)}.",
        evidence=f"{leak.ohm:.4g} ohm, where nothing should conduct",
        against="a dirty connector, or a sensor that is meant to share a pin, shows the same",
        next_test="Clean the connector, then read the leak again; on the bench, the leak step with both ends joined.",
    )


def _on_core(report: PinReport, circuits: Circuits) -> PinReport:
    finding = Finding(
        code="leak-coil-core",
        probability=0.9,
        text="A coil conducts to the core.",
        evidence=f"pins {told(circuits.coils_on_core)} hang together with the core below 1 kohm",
        against="a coil end that is grounded on purpose looks the same",
        next_test="Check the fixture for a lead that touches the housing, then read the pins to the core again.",
    )
    return replace(
        report,
        outcome="undecided",
        findings=(*report.findings, finding),
        may_excite=False,
        blocked_by=finding.code,
    )


def _bare(report: PinReport) -> PinReport:
    """Without functions: the readings don't carry them."""
    return replace(
        report, excitation=None, outputs=None, confidence="", evidence="", against="", labelings=None, may_excite=False
    )


def _open(report: PinReport, why: str, settled_by: str) -> PinReport:
    item = Undecided(what="which coil is which", why=why, settled_by=settled_by)
    others = tuple(u for u in report.undecided if u.what != item.what)
    return replace(_bare(report), outcome="undecided", undecided=(item, *others), blocked_by="circuits not understood")


def _not_this_kind(report: PinReport, text: str, evidence: str) -> PinReport:
    reason = Reason(
        code="not-this-kind",
        text=text,
        evidence=evidence,
        next="Nothing was excited. If it is a resolver after all, check adapter and readings; else use another bench.",
    )
    return blocked(replace(_bare(report), undecided=()), [reason], "not this kind")
