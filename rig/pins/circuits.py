"""From a table of pairs to circuits: joined pins, coils with their shared returns, sensors, leaks, empty pins.

It must never know a part file or which coil does what. Method: pins that are one piece of wire become one node; what
conducts below 1 kohm hangs together; within such a group the coils are the edges of the least spanning tree, and every
other pair must be the sum of the coils between its pins (R_ac = R_ab + R_bc). A group that fails this is no chain of
coils: a three-wire star or ring, or something else. The rest below 500 kohm are sensors; what conducts between groups
that are whole already is a leak.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from statistics import median_high

from rig.pins.pin_map import Circuit
from rig.pins.readings import CORE, SHIELD, Leak, PairTable, natural, order_pins
from rig.pins.thresholds import (
    COIL_OHM,
    JOINED_OHM,
    JOINED_WITH_LEADS_OHM,
    LEAD_MOST_OHM,
    SENSOR_OHM,
    STAR_RELATIVE,
    SUM_OHM,
    SUM_RELATIVE,
    WET_COUPLES,
    WET_SHARE,
)

Group = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Edge:
    """Two nodes, the lowest resistance between them (ohm) and the pins where it was read."""

    ohm: float
    a: str
    b: str
    pins: tuple[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Mesh:
    """A group of pins that is no chain of coils. star: three nodes, all pairs alike (three-wire star or ring)."""

    pins: Group
    ohms: tuple[float, ...]
    star: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Wet:
    """Couples of circuits that should be apart: how many were read, and those that conduct (ohm)."""

    read: int
    ohms: tuple[float, ...]

    def __bool__(self) -> bool:
        """Whether most of them conduct."""
        return len(self.ohms) >= WET_COUPLES and len(self.ohms) >= WET_SHARE * self.read


@dataclass(frozen=True, slots=True, kw_only=True)
class Circuits:
    """What a table holds. unproven: pairs that were not measured, can't be inferred, and could hide a circuit.
    lead_left_ohm: what sums say of leads that are still in."""

    coils: tuple[Circuit, ...]
    sensors: tuple[Circuit, ...]
    meshes: tuple[Mesh, ...]
    leaks: tuple[Leak, ...]
    joined: tuple[Group, ...]
    grounded: Group
    coils_on_core: Group
    empty: Group
    unproven: tuple[tuple[str, str], ...]
    wet: Wet
    lead_left_ohm: float | None


class Sets:
    """Disjoint sets of names."""

    def __init__(self, names: Iterable[str]) -> None:
        self._set = {name: name for name in names}

    def join(self, a: str, b: str) -> bool:
        """Make one set of two; False when they were one."""
        keep, drop = self._set[a], self._set[b]
        self._set = {name: keep if own == drop else own for name, own in self._set.items()}
        return keep != drop

    def groups(self) -> list[Group]:
        """The sets, members and sets in natural order."""
        found: dict[str, list[str]] = {}
        for name in sorted(self._set, key=natural):
            found.setdefault(self._set[name], []).append(name)
        return [tuple(group) for group in found.values()]


class Nodes:
    """Pins that are one piece of wire as nodes. members: node -> its pins; core: the node of the core, or ""."""

    def __init__(self, table: PairTable) -> None:
        self.table = table
        joined = Sets(table.nodes)
        limit = joined_below(table)
        for reading in table.readings:
            if (table.ohm(reading.pin_a, reading.pin_b) or 0.0) < limit:
                joined.join(reading.pin_a, reading.pin_b)
        self.members = {group[0]: group for group in joined.groups()}
        self.core = next((node for node, pins in self.members.items() if CORE in pins), "")

    def pins(self, nodes: Iterable[str]) -> Group:
        """All pins of some nodes."""
        return tuple(pin for node in nodes for pin in self.members[node])

    def between(self, a: Sequence[str], b: Sequence[str]) -> float | None:
        """Lowest known resistance between two groups of nodes; None when nothing was read."""
        return self.table.nearest(self.pins(a), self.pins(b))

    def edges(self, nodes: Iterable[str], below_ohm: float) -> list[Edge]:
        """Couples of nodes that conduct below a resistance by a pair of pins, the lowest first."""
        found = []
        for a, b in combinations(nodes, 2):
            pairs = [(x, y) for x in self.members[a] for y in self.members[b]]
            read = [(ohm, natural(x), natural(y), x, y) for x, y in pairs if (ohm := self.table.ohm(x, y)) is not None]
            if read and (best := min(read))[0] < below_ohm:
                found.append(Edge(best[0], a, b, order_pins(best[3:])))
        return sorted(found, key=lambda edge: (edge.ohm, natural(edge.a), natural(edge.b)))

    def groups(self, nodes: Sequence[str], below_ohm: float) -> list[tuple[Group, list[Edge]]]:
        """Nodes that hang together by couples below a resistance, each with the edges of its least spanning tree."""
        sets = Sets(nodes)
        tree = [edge for edge in self.edges(nodes, below_ohm) if sets.join(edge.a, edge.b)]
        return [(group, [edge for edge in tree if edge.a in group]) for group in sets.groups()]

    def closings(self, nodes: Sequence[str], tree: Sequence[Edge]) -> list[tuple[float, list[float]]]:
        """Every couple that was read and is no edge: its resistance and those of the edges between its nodes."""
        found = []
        for a, b in combinations(nodes, 2):
            ohm, path = self.between((a,), (b,)), path_ohm(tree, a, b)
            if ohm is not None and len(path) >= 2:
                found.append((ohm, path))
        return found

    def sums_hold(self, closings: Iterable[tuple[float, list[float]]]) -> bool:
        """Whether every other couple is the sum of the edges between, within 3 % and what leads may add."""
        lead = 0.0 if self.table.is_zeroed else LEAD_MOST_OHM
        for ohm, path in closings:
            slack = SUM_RELATIVE * sum(path) + SUM_OHM
            if not -slack - lead * (len(path) - 1) <= ohm - sum(path) <= slack:
                return False
        return True

    def circuits(self, edges: Sequence[Edge]) -> list[Circuit]:
        """Edges as circuits, with the pins that several of them share."""
        used = Counter(node for edge in edges for node in (edge.a, edge.b))
        made = []
        for edge in edges:
            reading = self.table.by_pair[frozenset(edge.pins)]
            back = reading.reversed_ohm
            common = self.pins(node for node in (edge.a, edge.b) if used[node] > 1)
            made.append(
                Circuit(
                    pins=edge.pins,
                    ohm=edge.ohm,
                    reversed_ohm=None if back is None else self.table.less_leads(back),
                    shared=tuple(pin for pin in common if pin in edge.pins),
                    one_way=reading.one_way,
                )
            )
        return made


def joined_below(table: PairTable) -> float:
    """One piece of wire below; nothing is, when all circuits are that small and the leads may be in them."""
    if table.is_zeroed:
        return JOINED_OHM
    values = [ohm for r in table.readings if (ohm := table.ohm(r.pin_a, r.pin_b)) is not None and ohm < COIL_OHM]
    return JOINED_WITH_LEADS_OHM if sum(ohm >= 5 * JOINED_WITH_LEADS_OHM for ohm in values) >= 2 else 0.0


def path_ohm(tree: Sequence[Edge], a: str, b: str) -> list[float]:
    """Resistances along the tree from one node to another; empty when they don't hang together."""
    stack: list[tuple[str, str, list[float]]] = [(a, "", [])]
    while stack:
        here, before, path = stack.pop()
        if here == b:
            return path
        for edge in tree:
            if here in (edge.a, edge.b) and (other := edge.b if here == edge.a else edge.a) != before:
                stack.append((other, here, [*path, edge.ohm]))
    return []


def find_circuits(table: PairTable) -> Circuits:
    """The circuits of a table, whatever it is of."""
    nodes = Nodes(table)
    trees = nodes.groups(list(nodes.members), COIL_OHM)
    groups = [group for group, _ in trees]
    coils, meshes, on_core, leads_ohm = _coils(nodes, trees)
    singles = [g[0] for g in groups if len(g) == 1 and g[0] != nodes.core and len(nodes.members[g[0]]) == 1]
    wet = _wet(nodes, groups)
    sensors, leaks = ([], []) if wet else _rest(nodes, groups, singles)
    used = {pin for circuit in [*coils, *sensors] for pin in circuit.pins} | {pin for m in meshes for pin in m.pins}
    idle = [pin for pin in singles if pin not in used and pin != SHIELD]
    unproven = _unproven(nodes, groups, idle)
    return Circuits(
        coils=tuple(sorted(coils, key=lambda c: natural(c.pins[0]))),
        sensors=tuple(sorted(sensors, key=lambda c: natural(c.pins[0]))),
        meshes=tuple(meshes),
        leaks=tuple(leaks),
        joined=tuple(pins for pins in nodes.members.values() if len(pins) > 1 and CORE not in pins),
        grounded=tuple(pin for pin in nodes.members.get(nodes.core, ()) if pin != CORE),
        coils_on_core=on_core,
        empty=() if wet else tuple(pin for pin in idle if not any(pin in pair for pair in unproven)),
        unproven=tuple(unproven),
        wet=wet or _wet_by_leaks(table),
        lead_left_ohm=median_high(leads_ohm) if leads_ohm else None,
    )


def _coils(nodes: Nodes, trees: list[tuple[Group, list[Edge]]]) -> tuple[list[Circuit], list[Mesh], Group, list[float]]:
    """Chains of coils, meshes, the pins of a coil that hangs on the core, and what the sums say of leads left in."""
    coils: list[Circuit] = []
    meshes: list[Mesh] = []
    on_core: list[str] = []
    leads_ohm: list[float] = []
    for group, tree in trees:
        closings = nodes.closings(group, tree)
        if not nodes.sums_hold(closings):
            meshes.append(_mesh(nodes, group))
            continue
        leads_ohm += [(sum(path) - ohm) / (len(path) - 1) for ohm, path in closings]
        circuits = nodes.circuits(tree)
        coils += [c for c, edge in zip(circuits, tree, strict=True) if nodes.core not in (edge.a, edge.b)]
        if tree and nodes.core in group:
            on_core += nodes.pins(node for node in group if node != nodes.core)
    return coils, meshes, tuple(on_core), leads_ohm


def _mesh(nodes: Nodes, group: Group) -> Mesh:
    ohms = tuple(edge.ohm for edge in nodes.edges(group, math.inf))
    alike = len(ohms) == 3 and max(ohms) <= (1 + STAR_RELATIVE) * min(ohms) + SUM_OHM
    return Mesh(pins=tuple(sorted(nodes.pins(group), key=natural)), ohms=ohms, star=len(group) == 3 and alike)


def _wet(nodes: Nodes, groups: list[Group]) -> Wet:
    """Couples of groups that should be open; what conducts to nothing at all is left out."""
    near = {(a, b): ohm for a, b in combinations(groups, 2) if (ohm := nodes.between(a, b)) is not None}
    busy = {g for couple, ohm in near.items() if math.isfinite(ohm) for g in couple} | {g for g in groups if len(g) > 1}
    read = [ohm for (a, b), ohm in near.items() if a in busy and b in busy]
    return Wet(read=len(read), ohms=tuple(ohm for ohm in read if math.isfinite(ohm)))


def _wet_by_leaks(table: PairTable) -> Wet:
    """The same by the leaks, which were read on a higher range."""
    ohms = [table.less_leads(leak.ohm) for leak in table.leaks]
    return Wet(read=len(ohms), ohms=tuple(ohm for ohm in ohms if math.isfinite(ohm)))


def _rest(nodes: Nodes, groups: list[Group], singles: list[str]) -> tuple[list[Circuit], list[Leak]]:
    """Sensors among pins that belong to no coil, or between such a pin and a coil's end; leaks between the rest."""
    loose = [(group, tree) for group, tree in nodes.groups(singles, SENSOR_OHM) if tree]
    sensors = [circuit for _, tree in loose for circuit in nodes.circuits(tree)]
    wholes = [group for group in groups if len(group) > 1 and nodes.core not in group]
    lone = [pin for pin in singles if not any(pin in group for group, _ in loose)]
    for pin in list(lone):
        near = [g for g in wholes if (ohm := nodes.between((pin,), g)) is not None and ohm < SENSOR_OHM]
        if len(near) == 1:
            edge = min(nodes.edges((pin, *near[0]), SENSOR_OHM), key=lambda e: (pin not in (e.a, e.b), e.ohm))
            (circuit,) = nodes.circuits([edge])
            sensors.append(replace(circuit, shared=tuple(end for end in circuit.pins if end != pin)))
            lone.remove(pin)
    parts = [*wholes, *(tuple(c.pins) for c in sensors if not c.shared), *((p,) for p in (nodes.core, *lone) if p)]
    leaks = []
    for a, b in combinations(parts, 2):
        if (ohm := nodes.between(a, b)) is not None and math.isfinite(ohm):
            leaks.append(Leak(a=nodes.pins(a), b=nodes.pins(b), ohm=ohm))
    return sensors, leaks


def _unproven(nodes: Nodes, groups: list[Group], idle: list[str]) -> list[tuple[str, str]]:
    """Pairs not measured by which an idle pin could still belong to something: nothing known between it and a group."""
    found = {
        order_pins((pin, nodes.members[group[0]][0]))
        for pin in idle
        for group in groups
        if pin not in group and nodes.between((pin,), group) is None
    }
    return sorted(found, key=lambda pair: (natural(pair[0]), natural(pair[1])))
