"""In which order a person moves two leads of a meter so that every circuit is read with the fewest changes.

It must never know an instrument. Places are pins; a circuit is a coil, the thermistor or the core. A reading between
two circuits tells nothing by itself: an open pair and a lead in the air look alike. So each lead is proved while it
stays: both leads on one circuit read what that circuit reads (its *loop*; on the core: a short). The walk goes from
loop to loop; on the way one lead stays behind, which is the reading between the two circuits.

Why no order needs fewer. A reading between X and Y counts only when the lead on X saw X's loop and the lead on Y saw
Y's during their stays. Both loops can't lie before it: the lead on X came after Y's loop, which had both leads on Y,
and the lead on Y came after X's loop, so each loop would lie before the other. In the same way both can't lie after it.
So one loop lies before, with the lead on X resting from there to the reading, and one after, with the lead on Y resting
till there. Between two loops that follow each other at most one reading counts, and both leads have moved. All readings
between n circuits are therefore a walk over the edges of a complete graph: two changes an edge passed, and two to
begin. A walk that passes every edge passes each at least once, and all but two vertices an even number of times; with
an even number of circuits (n - 2) / 2 edges have to be passed twice (Euler 1736; open Chinese postman).

The core's loop is a short, and so are two leads on any one pin: each time the core is reached, one lead is put to
another bare place of it. It is reached at least half as often as it has edges.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations


def fewest_changes(circuits: int) -> int:
    """Least number of changes for all readings between this many circuits, the core among them, each proved."""
    if circuits < 2:
        return 2
    edges = circuits * (circuits - 1) // 2
    twice = (circuits - 2) // 2 if circuits % 2 == 0 else 0
    return 2 + 2 * (edges + twice) + circuits // 2


def walk(circuits: Sequence[str]) -> list[str]:
    """The circuits in the order of their loops, from the first on: each neighbouring pair is read on the way. The last
    one, the core, is reached as seldom as can be."""
    names = list(circuits)
    if len(names) < 2:
        return names
    left: dict[str, list[str]] = {name: [] for name in names}
    for a, b in combinations(names, 2):
        _join(left, a, b)
    if len(names) % 2 == 0:  # all but the first and the last have to be left as often as they are reached
        inner = names[1:-1]
        for a, b in zip(inner[::2], inner[1::2], strict=True):
            _join(left, a, b)
    stack, order = [names[0]], []
    while stack:
        here = stack[-1]
        if left[here]:
            other = left[here].pop(0)
            left[other].remove(here)
            stack.append(other)
        else:
            order.append(stack.pop())
    return order[::-1]


def _join(left: dict[str, list[str]], a: str, b: str) -> None:
    left[a].append(b)
    left[b].append(a)
