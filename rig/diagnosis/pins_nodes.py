"""Pins that are one piece of wire as nodes, and what hangs together among them: groups, least trees, sums of coils.

It must never know which coil does what. Method (trade.md 4.1): within a group the coils are the edges of the least
spanning tree, and every other pair must be the sum of the coils between them (R_ac = R_ab + R_bc).
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

from rig.diagnosis.pins_table import COIL_OHM, PairTable, Sets, natural

JOINED_OHM, JOINED_WITH_LEADS_OHM = 0.5, 1.0
SUM_RELATIVE, SUM_OHM, LEAD_MOST_OHM = 0.03, 0.3, 0.6


class PinNodes:
    """The nodes of a table. t: the table, ohm; nodes: one pin's name stands for each; members: node -> its pins."""

    def __init__(self, table: PairTable) -> None:
        self.t = table
        self.joined = Sets(table.nodes)
        limit = self._joined_below()
        for reading in table.readings:
            ohm = table.ohm(reading.pin_a, reading.pin_b)
            if ohm is not None and ohm < limit:
                self.joined.join(reading.pin_a, reading.pin_b)
        self.nodes = [group[0] for group in self.joined.groups()]
        self.members = {group[0]: group for group in self.joined.groups()}

    def _joined_below(self) -> float:
        """One piece of wire below; nothing is, when all circuits are that small and the leads may be in them."""
        values = [v for r in self.t.readings if (v := self.t.ohm(r.pin_a, r.pin_b)) is not None and v < COIL_OHM]
        if self.t.zeroed:
            return JOINED_OHM
        large = [v for v in values if v >= 5 * JOINED_WITH_LEADS_OHM]
        return JOINED_WITH_LEADS_OHM if len(large) >= 2 else 0.0

    def between(self, a: str, b: str) -> float | None:
        """Lowest known resistance between two nodes (groups of joined pins)."""
        found = [v for x in self.members[a] for y in self.members[b] if (v := self.t.ohm(x, y)) is not None]
        return min(found, default=None)

    def ends(self, a: str, b: str) -> tuple[str, str]:
        """The pins of two nodes between which the lowest resistance was read, in natural order."""
        best = min(
            ((v, x, y) for x in self.members[a] for y in self.members[b] if (v := self.t.ohm(x, y)) is not None),
            key=lambda found: (found[0], natural(found[1]), natural(found[2])),
        )
        first, second = sorted(best[1:], key=natural)
        return first, second

    def groups(self, nodes: Sequence[str], below: float) -> list[tuple[str, ...]]:
        """Nodes that hang together by pairs below a resistance."""
        sets = Sets(nodes)
        for a, b in combinations(nodes, 2):
            ohm = self.between(a, b)
            if ohm is not None and ohm < below:
                sets.join(a, b)
        return sets.groups()

    def tree(self, nodes: Sequence[str], below: float) -> list[tuple[float, str, str]]:
        """Edges of the least spanning tree of a group: (ohm, node, node)."""
        edges = sorted(
            ((ohm, a, b) for a, b in combinations(nodes, 2) if (ohm := self.between(a, b)) is not None and ohm < below),
            key=lambda edge: (edge[0], natural(edge[1]), natural(edge[2])),
        )
        sets = Sets(nodes)
        return [edge for edge in edges if sets.join(edge[1], edge[2])]

    def sums_hold(self, nodes: Sequence[str], edges: list[tuple[float, str, str]]) -> bool:
        """Whether every other pair is the sum of the edges between, within 3 % and what leads may add."""
        for a, b in combinations(nodes, 2):
            found, path = self.between(a, b), path_ohm(edges, a, b)
            if found is None or len(path) < 2:
                continue
            leads = 0.0 if self.t.zeroed else LEAD_MOST_OHM * (len(path) - 1)
            if (
                not -(SUM_RELATIVE * sum(path) + SUM_OHM + leads)
                <= found - sum(path)
                <= SUM_RELATIVE * sum(path) + SUM_OHM
            ):
                return False
        return True

    def lead_left(self, nodes: Sequence[str], edges: list[tuple[float, str, str]]) -> list[float]:
        """Lead resistance that the sums give away: each pair holds it once, the sum of two pairs twice."""
        found = []
        for a, b in combinations(nodes, 2):
            ohm, path = self.between(a, b), path_ohm(edges, a, b)
            if ohm is not None and len(path) >= 2:
                found.append((sum(path) - ohm) / (len(path) - 1))
        return found


def path_ohm(edges: list[tuple[float, str, str]], a: str, b: str) -> list[float]:
    """Resistances along the tree from one node to another; empty when they don't hang together."""
    stack: list[tuple[str, str, list[float]]] = [(a, "", [])]
    while stack:
        here, before, path = stack.pop()
        if here == b:
            return path
        for ohm, x, y in edges:
            other = y if x == here else x if y == here else None
            if other is not None and other != before:
                stack.append((other, here, [*path, ohm]))
    return []
