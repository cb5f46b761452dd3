"""May something be driven? One rule for every door: only where the readings that it rests on were made and allow it.

A driven coil must have been read against the core and every other circuit (a pair of pins or a leak with both ends
joined will do), and none of these may lie below 10 kohm. No voltage may stand on the part, the part file's pin map must
fit, and an excitation coil that is open or a short is not driven. It must never know an AC figure.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from rig.evaluation.evaluated import Evaluated
from rig.evaluation.inspection.inspection import Inspection
from rig.pins.map_check import MISMATCH, WRONG_ADAPTER, pins_by_coil, run_table
from rig.pins.pin_map import PinMap, Undecided, pair_names
from rig.pins.readings import CORE, Leak, PairTable, pin_list
from rig.pins.thresholds import COIL_OHM, JOINED_OHM, LEAK_BLOCKS_OHM, LIVE_V
from rig.quantity import Reading
from rig.resolver.part import COILS
from rig.result import Reason
from rig.soundness import scopes
from rig.soundness.rule import Evidence, Rule, ask

Group = tuple[str, ...]
NOT_READ = "isolation not read"


@dataclass(frozen=True, slots=True, kw_only=True)
class Isolation:
    """Of some circuits against others: pairs still to be read, and the leaks that were found, the lowest first."""

    unread: tuple[tuple[str, str], ...]
    leaks: tuple[Leak, ...]

    @property
    def too_low(self) -> Leak | None:
        """The lowest leak, where it forbids to drive the circuits."""
        return next((leak for leak in self.leaks if leak.ohm < LEAK_BLOCKS_OHM), None)


def isolation(table: PairTable, driven: Sequence[Group], others: Iterable[Group]) -> Isolation:
    """Of every driven circuit against every other and the core; circuits that share a pin are one."""
    couples: dict[frozenset[Group], tuple[Group, Group]] = {}
    for a in driven:
        for b in (*driven, *others, (CORE,)):
            if not set(a) & set(b):
                couples.setdefault(frozenset((a, b)), (a, b))
    unread, leaks = [], []
    for a, b in couples.values():
        ohm = table.nearest(a, b)
        if ohm is None:
            unread.append((a[0], b[0]))
        elif ohm < float("inf"):
            leaks.append(Leak(a=a, b=b, ohm=ohm))
    return Isolation(unread=tuple(unread), leaks=tuple(sorted(leaks, key=lambda leak: leak.ohm)))


def permit(found: PinMap, table: PairTable) -> PinMap:
    """The pin map with the word on the low-level test, which drives each of three coils in turn."""
    if found.blocked_by:
        return found
    if found.missing:
        return replace(found, blocked_by="pairs not measured")
    others = [*(s.circuit.pins for s in found.sensors), *((pin,) for pin in found.empty), *found.joined]
    between = isolation(table, [c.pins for c in found.coils], others)
    if between.too_low is not None:
        return replace(found, outcome="undecided", blocked_by=leak_code(between.too_low))
    if not between.unread:
        return found
    item = Undecided(
        what="whether the coils are isolated",
        why=f"{len(between.unread)} pairs between a coil and the core or another circuit were not measured",
        settled_by=f"Measure {pair_names(between.unread)}; nothing is driven before.",
    )
    return replace(found, unread=between.unread, undecided=(*found.undecided, item), blocked_by=NOT_READ)


def leak_code(leak: Leak) -> str:
    """The finding that a leak is."""
    return "leak-coil-core" if CORE in (*leak.a, *leak.b) else "leak-coil-coil"


# ---- a run with a part file -----------------------------------------------------------------------------------


def wiring_reasons(inspection: Inspection) -> list[Reason]:
    """Voltage on the part, else coils that stand on other pins than the part file says."""
    return ask(RULES, inspection, ())


def forbids_excitation(evaluated: Evaluated) -> list[Reason]:
    """Reasons not to drive the excitation coil, once the readings that it takes should have been made; they are the
    part's or nobody's, end the run, and spoil nothing."""
    inspection = Inspection(evaluated)
    return wiring_reasons(inspection) or ask((FORBIDDEN,), inspection, ())


def undrivable(inspection: Inspection) -> list[Evidence]:
    """What of a run's readings, or of those that it lacks, forbids to drive the excitation coil."""
    obs = inspection.observed
    table, pins = run_table(obs), pins_by_coil(obs.part)
    ohm = excitation_ohm(inspection.evaluated, table) if "exc" in pins else None
    if ohm is None:
        return [_undrivable("The excitation coil was not read.", "no reading of its pins nor of the coil")]
    if ohm >= COIL_OHM:
        return [_undrivable("The excitation coil is open: there is nothing to excite.", "its reading is over range")]
    if ohm < JOINED_OHM:
        return [_undrivable("The excitation coil is a short.", f"{ohm:.3g} ohm")]
    others = [own for name, own in pins.items() if name in COILS or table.nearest(pins["exc"], own) is not None]
    between = isolation(table, [pins["exc"]], others)
    if (leak := between.too_low) is not None:
        evidence = f"{leak.ohm:.4g} ohm from {pin_list(leak.a)} to {pin_list(leak.b)}"
        return [_undrivable("The excitation coil leaks too much to be driven.", evidence)]
    if between.unread:
        evidence = f"no reading of {pair_names(between.unread)}"
        return [_undrivable("The excitation coil's isolation was not read.", evidence)]
    return []


def _undrivable(text: str, evidence: str) -> Evidence:
    return Evidence(figures=evidence, text=text, witness="DC resistance")


def excitation_ohm(evaluated: Evaluated, table: PairTable) -> float | None:
    """The excitation coil's resistance: its own four-wire readings, else the pair of its pins; infinite when open."""
    own = evaluated.resistance("exc")
    if own is not None:
        return float("inf") if own.ohm is None else own.ohm
    return table.ohm(*pins_by_coil(evaluated.observed.part)["exc"])


def forbidden(text: str, evidence: str) -> Reason:
    """Why nothing is driven."""
    return FORBIDDEN.reason(_undrivable(text, evidence))


def live_circuit(readings: Sequence[Reading], table: PairTable) -> list[Reason]:
    """Why a part that is fed from somewhere is left alone; empty where nothing shows a voltage."""
    return [LIVE.reason(found) for found in voltage_on_pins(readings, table)]


def voltage_on_pins(readings: Sequence[Reading], table: PairTable) -> list[Evidence]:
    """A voltage on a pin before anything was switched on, as a voltmeter or an ohmmeter shows it."""
    volts = [r for r in readings if r.quantity in ("pin_voltage_dc", "pin_voltage_ac")]
    over = [r for r in volts if r.overload]
    high = sorted(
        (r for r in volts if r.value is not None and abs(r.number()) > LIVE_V), key=lambda r: -abs(r.number())
    )
    for worst in (over + high)[:1]:
        size = "over range" if worst.overload else f"{abs(worst.number()):.3g} V"
        kind = "AC" if worst.quantity.endswith("ac") else "DC"
        pins = f"{worst.conditions.get('pin_a')} to {worst.conditions.get('pin_b')}"
        return [Evidence(figures=f"{size} {kind} between pins {pins}; {LIVE_V} V is the most that is let by")]
    for lowest in table.live()[:1]:
        evidence = f"pins {pin_list(lowest.pair)} read {lowest.lowest_ohm:.4g} ohm, and no resistance is below zero"
        return [Evidence(figures=f"{evidence}; {len(table.live())} of {len(table.readings)} pairs do")]
    return []


LIVE = Rule(
    code="live-circuit",
    looks_at="voltages on the pins, and resistances below zero",
    check=lambda inspection: voltage_on_pins(inspection.observed.readings, run_table(inspection.observed)),
    text="There is voltage on the part before anything was switched on.",
    next="Unplug the part from whatever feeds it, let it rest, then read again; test removed parts only.",
    spoils=scopes.everything,
)
FORBIDDEN = Rule(
    code="excitation-forbidden",
    looks_at="what a driven coil takes: its resistance, its isolation, the wiring",
    check=undrivable,
    text="The excitation coil must not be driven.",
    next="See the failed lines and what is undecided; nothing that needs the excitation was measured.",
    spoils=scopes.nothing,
)
RULES = (LIVE, MISMATCH, WRONG_ADAPTER)
"""The wiring of a run, in order of cause."""
