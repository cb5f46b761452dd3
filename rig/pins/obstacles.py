"""What stops the search for pins before anything is excited: voltage, leads, moisture, leaks, other kinds of part.

It must never know a part file. Order matters: what makes the readings worthless comes before what they would mean.
Other kinds: transmitters have three-wire stars, two-speed parts more than three coils, tachogenerators and pick-ups
fewer, encoders semiconductors and kiloohms everywhere. Two coils beside unused pins may also be this kind of part with
an open coil: that stays undecided.
"""

from __future__ import annotations

from dataclasses import replace

from rig.findings.findings import finding
from rig.findings.pattern import Sign
from rig.pins.circuits import Circuits
from rig.pins.isolation import leak_code, live_circuit
from rig.pins.pin_map import PinMap, Undecided
from rig.pins.readings import Leak, PairTable, pin_list
from rig.pins.thresholds import (
    ELECTRONICS_CIRCUITS,
    LEAD_SEEN_OHM,
    LEAD_SEEN_SHARE,
    LEAST_UNZEROED_OHM,
    TWO_SPEED_ALIKE,
)
from rig.result import Finding
from rig.soundness.rule import Evidence
from rig.soundness.soundness import reason

NOT_UNDERSTOOD = "circuits not understood"
ELECTRONICS = "this looks like an encoder or other electronics"


def obstacles(found: PinMap, table: PairTable, circuits: Circuits) -> PinMap | None:
    """The pin map as it stands when something is in the way; None when nothing is."""
    for look in (_live, _conflicts, _leads, _wet, _meshes, _count, _leaks):
        stopped = look(found, table, circuits)
        if stopped is not None:
            return stopped
    return None


def _live(found: PinMap, table: PairTable, _circuits: Circuits) -> PinMap | None:
    reasons = live_circuit((), table)
    return found.bare().block("unsound measurement", *reasons) if reasons else None


def _conflicts(found: PinMap, table: PairTable, _circuits: Circuits) -> PinMap | None:
    if not table.conflicts:
        return None
    evidence = Evidence(
        figures="; ".join(f"{a}-{b}: {x:.4g} and {y:.4g} ohm" for a, b, x, y in table.conflicts[:6]),
        text="Some pairs were read twice and the values differ.",
        next="Read these pairs again; a joint that comes and goes is a finding of its own.",
    )
    return found.block("undecided", reason("point-disturbed", evidence))


def _leads(found: PinMap, table: PairTable, circuits: Circuits) -> PinMap | None:
    small_ohm = [c.ohm for c in circuits.coils if not c.one_way] + [v for m in circuits.meshes for v in m.ohms]
    if table.is_zeroed or not small_ohm or min(small_ohm) >= LEAST_UNZEROED_OHM:
        return None
    evidence = f"the smallest circuit reads {min(small_ohm):.3g} ohm, and nothing says that leads were taken off"
    left_ohm = circuits.lead_left_ohm
    if left_ohm is not None and LEAD_SEEN_OHM <= left_ohm <= LEAD_SEEN_SHARE * min(small_ohm):
        evidence += f"; sums along shared pins speak for {left_ohm:.2g} ohm"
    if any(m.star for m in circuits.meshes) or len({pin for c in found.coils for pin in c.pins}) == 3:
        evidence += ". Three pins that read alike may be a three-wire star or ring: with the leads off it can be told"
    unzeroed = Evidence(
        figures=f"{evidence}.",
        text="Lead resistance is not removed from the readings, and these circuits are too small to do without.",
        next="Short the probes, take off what they read (or measure with four wires), then give the table again.",
    )
    item = Undecided(
        what="which coil is which",
        why="leads of a few tenths of an ohm make unlike coils alike",
        settled_by="The same table with the leads zeroed.",
    )
    plain = tuple(replace(coil, shared=()) for coil in found.coils)
    return found.bare(undecided=(item,), coils=plain, notes=()).block("undecided", reason("leads-not-zeroed", unzeroed))


def _wet(found: PinMap, _table: PairTable, circuits: Circuits) -> PinMap | None:
    wet = circuits.wet
    if not wet:
        return None
    evidence = f"{len(wet.ohms)} of {wet.read} couples that should be apart conduct, the lowest {min(wet.ohms):.3g} ohm"
    if not circuits.coils:
        return _not_this_kind(found, f"No winding, and almost every pair conducts: {ELECTRONICS}.", evidence)
    sign = Sign(
        weight=0.8,
        text="Almost everything leaks to everything: moisture or dirt in the part or its connector.",
        evidence=evidence,
        against="a dirty connector or adapter shows the same",
        next_test="Clean the connector, dry the part at 60 to 80 degC, let it cool, read again.",
    )
    return found.suspect(finding("moisture", sign))


def _meshes(found: PinMap, _table: PairTable, circuits: Circuits) -> PinMap | None:
    star = next((m for m in circuits.meshes if m.star), None)
    if star is not None:
        text = "Three pins form a three-wire star: this looks like a transmitter (synchro), not a resolver."
        ohms = ", ".join(f"{ohm:.4g}" for ohm in star.ohms)
        return _not_this_kind(found, text, f"pins {pin_list(star.pins)} read {ohms} ohm between any two")
    mesh = max(circuits.meshes, key=lambda m: len(m.pins), default=None)
    if mesh is None:
        return None
    if len(mesh.pins) >= 4 and not circuits.coils:
        evidence = f"pins {pin_list(mesh.pins)} conduct to each other, and no sum of circuits explains the values"
        return _not_this_kind(found, f"The pins hang together in no way that coils do: {ELECTRONICS}.", evidence)
    why = "they conduct to each other, and no chain of coils explains it: a short between coils, or another part"
    next_ = "Read these pairs again; compare with a known-good part of the same number."
    return _open(found, why, next_, what=f"pins {pin_list(mesh.pins)}")


def _count(found: PinMap, _table: PairTable, circuits: Circuits) -> PinMap | None:
    """By the number of coils."""
    n = len(found.coils)
    ohms = ", ".join(f"{c.name} {c.ohm:.4g} ohm" for c in found.coils)
    if n == 3:
        return None
    if n >= 5 or (n == 4 and not found.missing and _two_pairs(found)):
        text = f"{n} coils: this looks like a two-speed part, or one with two excitations or centre taps."
        return _not_this_kind(found, text, ohms)
    if n == 4:
        why = f"four circuits look like coils ({ohms}): one may be a cold PTC, or the part has four coils"
        return _open(found, why, "Warm the part by hand, or measure inductance: a PTC has none.")
    if found.missing:
        return _open(found, f"only {n} coils found so far", "Measure the missing pairs.")
    if circuits.coils_on_core:
        return _on_core(found, circuits)
    if n == 2 and len(found.empty) >= 2:
        why = f"two coils ({ohms}) and pins {', '.join(found.empty)} open: an open coil, or another kind of part"
        return _open(found, why, "Compare with a known-good part, or look the part number up.")
    if n:
        kind = "a tachogenerator or a pick-up" if n == 1 else "a two-winding tachogenerator, or two pick-ups"
        return _not_this_kind(found, f"{n} coil{'s' * (n > 1)} and no more: this looks like {kind}.", ohms)
    conducting = len(found.sensors) + len(circuits.leaks)
    if sum(s.circuit.one_way for s in found.sensors) >= 2 or conducting >= ELECTRONICS_CIRCUITS:
        text = f"No winding, but semiconductors or kiloohms: {ELECTRONICS}."
        return _not_this_kind(found, text, f"{conducting} circuits above 1 kohm or polarised, no coil")
    why = "no coil found: nothing below 1 kohm conducts"
    return _open(found, why, "Check that the adapter is seated and that the probes reach the pins, then read again.")


def _two_pairs(found: PinMap) -> bool:
    a, b, c, d = sorted(c.ohm for c in found.coils)
    return b <= TWO_SPEED_ALIKE * a and d <= TWO_SPEED_ALIKE * c


def _leaks(found: PinMap, _table: PairTable, circuits: Circuits) -> PinMap | None:
    """A finding for each leak; whether it forbids to drive a coil is asked in isolation.py."""
    if circuits.coils_on_core:
        return _on_core(found, circuits)
    if not circuits.leaks:
        return None
    return replace(found, findings=(*found.findings, *(_leak_finding(leak) for leak in circuits.leaks)))


def _leak_finding(leak: Leak) -> Finding:
    sign = Sign(
        weight=0.7,
        text=f"Pins {pin_list(leak.a)} leak to {pin_list(leak.b)}.",
        evidence=f"{leak.ohm:.4g} ohm, where nothing should conduct",
        against="a dirty connector, or a sensor that is meant to share a pin, shows the same",
        next_test="Clean the connector, then read the leak again; on the bench, the leak step with both ends joined.",
    )
    return finding(leak_code(leak), sign)


def _on_core(found: PinMap, circuits: Circuits) -> PinMap:
    sign = Sign(
        weight=0.9,
        text="A coil conducts to the core.",
        evidence=f"pins {pin_list(circuits.coils_on_core)} hang together with the core below 1 kohm",
        against="a coil end that is grounded on purpose looks the same",
        next_test="Check the fixture for a lead that touches the housing, then read the pins to the core again.",
    )
    return found.suspect(finding("leak-coil-core", sign))


def _open(found: PinMap, why: str, settled_by: str, what: str = "which coil is which") -> PinMap:
    item = Undecided(what=what, why=why, settled_by=settled_by)
    others = tuple(u for u in found.undecided if u.what != what)
    return found.bare(outcome="undecided", undecided=(item, *others), blocked_by=NOT_UNDERSTOOD)


def _not_this_kind(found: PinMap, text: str, evidence: str) -> PinMap:
    other = Evidence(
        figures=evidence,
        text=text,
        next="Nothing was excited. If it is a resolver after all, check adapter and readings; else use another bench.",
    )
    return found.bare(undecided=()).block("not this kind", reason("not-this-kind", other))
