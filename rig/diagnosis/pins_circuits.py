"""From a table of pairs to circuits: joined pins, coils with their shared returns, sensors, leaks, empty pins.

It must never know a part file or which coil does what. Method (trade.md 4.1): pins that are one piece of wire become
one node; what conducts below 1 kohm hangs together; within such a group the coils are the edges of the least spanning
tree, and every other pair must be the sum of the coils between them (R_ac = R_ab + R_bc). A group that fails this
is no chain of coils: a three-wire star or ring, or something else. The rest below 500 kohm are sensors; what
conducts between groups that are whole already is a leak.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations

from rig.diagnosis.pins_nodes import SUM_OHM, PinNodes
from rig.diagnosis.pins_table import COIL_OHM, CORE, SENSOR_OHM, SHIELD, Pair, PairTable, natural, told

WET_SHARE, WET_PAIRS = 0.5, 3
EQUAL = 0.10


@dataclass(frozen=True, slots=True, kw_only=True)
class Circuit:
    """One two-ended circuit. shared: pins of it that belong to another circuit too. one_way: polarity matters."""

    pins: tuple[str, str]
    ohm: float
    reversed_ohm: float | None = None
    shared: tuple[str, ...] = ()
    one_way: bool = False

    @property
    def name(self) -> str:
        """As it is printed: "3-5"."""
        return told(self.pins)


@dataclass(frozen=True, slots=True, kw_only=True)
class Mesh:
    """A group of pins that is no chain of coils. star: three nodes, all pairs alike (three-wire star or ring)."""

    pins: tuple[str, ...]
    ohms: tuple[float, ...]
    star: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Leak:
    """What conducts between two groups: their pins and the lowest resistance."""

    a: tuple[str, ...]
    b: tuple[str, ...]
    ohm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Circuits:
    """What a table holds. unproven: pairs that were not measured, can't be inferred, and could hide a circuit."""

    coils: tuple[Circuit, ...]
    sensors: tuple[Circuit, ...]
    meshes: tuple[Mesh, ...]
    leaks: tuple[Leak, ...]
    joined: tuple[tuple[str, ...], ...]
    grounded: tuple[str, ...]
    coils_on_core: tuple[str, ...]
    empty: tuple[str, ...]
    unproven: tuple[Pair, ...]
    wet_share: float
    wet_pairs: int
    lead_left_ohm: float | None

    @property
    def wet(self) -> bool:
        """Whether most pairs that should be open conduct."""
        return self.wet_share >= WET_SHARE and self.wet_pairs >= WET_PAIRS


def find_circuits(table: PairTable) -> Circuits:
    """The circuits of a table, whatever it is of."""
    f = PinNodes(table)
    core = f.joined.find(CORE) if CORE in table.nodes else ""
    core_node = next((n for n in f.nodes if f.joined.find(n) == core), "") if core else ""
    groups = f.groups(f.nodes, COIL_OHM)
    coils, meshes, on_core, lead = _coils(f, [g for g in groups if len(g) > 1], core_node)
    singles = [g[0] for g in groups if len(g) == 1 and g[0] != core_node and len(f.members[g[0]]) == 1]
    wet_share, wet_pairs = _wet(f, groups)
    wet = wet_share >= WET_SHARE and wet_pairs >= WET_PAIRS
    sensors, leaks = ([], []) if wet else _rest(f, groups, singles, core_node)
    used = {pin for circuit in [*coils, *sensors] for pin in circuit.pins} | {p for m in meshes for p in m.pins}
    joined = tuple(f.members[n] for n in f.nodes if len(f.members[n]) > 1 and CORE not in f.members[n])
    idle = [n for n in singles if n not in used and n not in (CORE, SHIELD)]
    unproven = _unproven(f, groups, idle)
    return Circuits(
        coils=tuple(sorted(coils, key=lambda c: natural(c.pins[0]))),
        sensors=tuple(sorted(sensors, key=lambda c: natural(c.pins[0]))),
        meshes=tuple(meshes),
        leaks=tuple(leaks),
        joined=joined,
        grounded=tuple(p for p in f.members.get(core_node, ()) if p != CORE),
        coils_on_core=tuple(on_core),
        empty=() if wet else tuple(n for n in idle if not any(n in pair for pair in unproven)),
        unproven=tuple(unproven),
        wet_share=wet_share,
        wet_pairs=wet_pairs,
        lead_left_ohm=lead,
    )


def _coils(
    f: PinNodes, groups: list[tuple[str, ...]], core_node: str
) -> tuple[list[Circuit], list[Mesh], list[str], float | None]:
    coils: list[Circuit] = []
    meshes: list[Mesh] = []
    on_core: list[str] = []
    leads: list[float] = []
    for nodes in groups:
        edges = f.tree(nodes, COIL_OHM)
        if not f.sums_hold(nodes, edges):
            meshes.append(_mesh(f, nodes))
            continue
        leads += f.lead_left(nodes, edges)
        made = _edges(f, edges)
        coils += [c for c, (_, a, b) in zip(made, edges, strict=True) if core_node not in (a, b)]
        on_core += [p for n in nodes if core_node in nodes and n != core_node for p in f.members[n]]
    lead = sorted(leads)[len(leads) // 2] if leads else None
    return coils, meshes, on_core, lead


def _edges(f: PinNodes, edges: list[tuple[float, str, str]]) -> list[Circuit]:
    """Tree edges as circuits, with the pins that several of them share."""
    counts: dict[str, int] = {}
    for _, a, b in edges:
        for node in (a, b):
            counts[node] = counts.get(node, 0) + 1
    made = []
    for ohm, a, b in edges:
        pins = f.ends(a, b)
        back = f.t.by_pair[frozenset(pins)].reversed_ohm
        shared = tuple(pin for node, pin in _by_node(f, (a, b), pins) if counts[node] > 1)
        made.append(
            Circuit(
                pins=pins, ohm=ohm, reversed_ohm=_less(back, f.t.lead_ohm), shared=shared, one_way=f.t.one_way(pins)
            )
        )
    return made


def _less(ohm: float | None, lead_ohm: float | None) -> float | None:
    return None if ohm is None else max(0.0, ohm - (lead_ohm or 0.0))


def _by_node(f: PinNodes, nodes: tuple[str, str], pins: tuple[str, str]) -> list[tuple[str, str]]:
    return [(node, pin) for node in nodes for pin in pins if pin in f.members[node]]


def _mesh(f: PinNodes, nodes: tuple[str, ...]) -> Mesh:
    found = [v for a, b in combinations(nodes, 2) if (v := f.between(a, b)) is not None and math.isfinite(v)]
    alike = len(found) == 3 and max(found) <= (1 + EQUAL) * min(found) + SUM_OHM
    pins = tuple(sorted((p for n in nodes for p in f.members[n]), key=natural))
    return Mesh(pins=pins, ohms=tuple(found), star=len(nodes) == 3 and alike)


def _wet(f: PinNodes, groups: list[tuple[str, ...]]) -> tuple[float, int]:
    """Share and number of couples of groups that conduct to each other though they should be open; what conducts to
    nothing at all is left out."""
    near = {(a, b): v for a, b in combinations(groups, 2) if (v := _nearest(f, a, b)) is not None}
    busy = {g for pair, v in near.items() if math.isfinite(v) for g in pair} | {g for g in groups if len(g) > 1}
    known = [v for (a, b), v in near.items() if a in busy and b in busy]
    conducting = sum(math.isfinite(v) for v in known)
    return (conducting / len(known) if known else 0.0), conducting


def _rest(
    f: PinNodes, groups: list[tuple[str, ...]], singles: list[str], core_node: str
) -> tuple[list[Circuit], list[Leak]]:
    """Sensors among pins that belong to no coil, or between such a pin and a coil's end; leaks between the rest."""
    sensors: list[Circuit] = []
    for nodes in f.groups(singles, SENSOR_OHM):
        if len(nodes) > 1:
            sensors += _edges(f, f.tree(nodes, SENSOR_OHM))
    taken = {pin for sensor in sensors for pin in sensor.pins}
    wholes = [g for g in groups if len(g) > 1 and core_node not in g]
    for pin in [p for p in singles if p not in taken]:
        ends = [(v, g) for g in wholes if (v := _nearest(f, (pin,), g)) is not None and v < SENSOR_OHM]
        if len(ends) == 1:
            near = min(ends[0][1], key=lambda n: (_or_open(f.between(pin, n)), natural(n)))
            sensors += [_with_shared(c, f.members[near]) for c in _edges(f, [(ends[0][0], pin, near)])]
            taken.add(pin)
    loose = [tuple(c.pins) for c in sensors if not c.shared]
    shared = [c.pins for c in sensors if c.shared]
    parts = [*wholes, *loose] + ([(core_node,)] if core_node else []) + [(p,) for p in singles if p not in taken]
    leaks = []
    for a, b in combinations(parts, 2):
        ohm = _nearest(f, a, b)
        if ohm is not None and math.isfinite(ohm) and not _of_shared(a, b, shared):
            leaks.append(Leak(a=_all_pins(f, a), b=_all_pins(f, b), ohm=ohm))
    return sensors, leaks


def _with_shared(circuit: Circuit, common: tuple[str, ...]) -> Circuit:
    return Circuit(
        pins=circuit.pins,
        ohm=circuit.ohm,
        reversed_ohm=circuit.reversed_ohm,
        one_way=circuit.one_way,
        shared=tuple(p for p in circuit.pins if p in common),
    )


def _of_shared(a: tuple[str, ...], b: tuple[str, ...], shared: list[tuple[str, str]]) -> bool:
    return any((x in a and y in b) or (y in a and x in b) for x, y in shared)


def _all_pins(f: PinNodes, nodes: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(pin for node in nodes for pin in f.members.get(node, (node,)))


def _nearest(f: PinNodes, a: tuple[str, ...], b: tuple[str, ...]) -> float | None:
    found = [v for x in a for y in b if x in f.members and y in f.members and (v := f.between(x, y)) is not None]
    return min(found, default=None)


def _or_open(value: float | None) -> float:
    return math.inf if value is None else value


def _unproven(f: PinNodes, groups: list[tuple[str, ...]], idle: list[str]) -> list[Pair]:
    """Pairs not measured by which an idle pin could still belong to something: nothing known between it and a group."""
    found = []
    for pin in idle:
        for group in groups:
            if pin in group:
                continue
            if _nearest(f, (pin,), group) is None:
                found.append(frozenset((pin, f.members[group[0]][0])))
    return sorted(set(found), key=lambda pair: sorted(map(natural, pair)))
