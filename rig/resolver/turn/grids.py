"""Grids of positions: which order a uniform grid shows an order as, and counts of points that hide nothing.

It must never know a measured value. Orders are a mechanical turn's; a grid of n points shows the order k as the
distance of k from the nearest multiple of n. Theory: rig/resolver/README.md, 3.
"""

from __future__ import annotations

from collections.abc import Sequence

from rig.errors import UsageError

STEPPER_ORDERS = (50, 100, 200)


def fold_order(order: int, points: int) -> int:
    """The order that a uniform grid of `points` a turn shows an order as: 0..points/2."""
    rest = order % points
    return min(rest, points - rest)


def part_orders(pole_pairs: int, teeth: int | None = None) -> tuple[int, ...]:
    """Orders at which a part's own error is expected: 1, 2 (seat), p to 8 p, teeth and its neighbours."""
    wanted = {1, 2, *(k * pole_pairs for k in range(1, 9))}
    if teeth is not None:
        wanted |= {teeth + d for d in (-pole_pairs, -2, -1, 0, 1, 2, pole_pairs)} | {2 * teeth}
    return tuple(sorted(n for n in wanted if n > 0))


def grid_folding(
    points: int, pole_pairs: int, teeth: int | None = None, stepper_orders: Sequence[int] = STEPPER_ORDERS
) -> dict[int, tuple[int, str]]:
    """Where a grid of `points` a turn shows each stepper order: order -> (folded order, fault).

    fault: "" when it stands clear; else "zero", "Nyquist", or "order n" for a part order that it hides in.
    """
    if points < 3:
        raise UsageError(f"{points} points a turn make no sweep.", next_action="Ask for more points.")
    own = {fold_order(n, points): n for n in reversed(part_orders(pole_pairs, teeth))}
    shown: dict[int, tuple[int, str]] = {}
    for order in stepper_orders:
        at = fold_order(order, points)
        fault = ""
        if at == 0:
            fault = "zero"
        elif 2 * at == points:
            fault = "Nyquist"
        elif at in own:
            fault = f"order {own[at]}"
        shown[order] = (at, fault)
    return shown


def good_sweep_points(
    steps_per_turn: int, pole_pairs: int, teeth: int | None = None, most: int = 800
) -> tuple[int, ...]:
    """Counts of points a turn that the axis can stand on exactly and that hide nothing, smallest first.

    They divide steps_per_turn (microsteps), give twelve points a cycle of order 4 p, resolve every part order, and fold
    no stepper order onto a part order, zero or Nyquist. Empty when there is none up to `most`.
    """
    highest = max(part_orders(pole_pairs, teeth))
    least = max(48 * pole_pairs, 2 * highest + 2)
    return tuple(
        n
        for n in range(least, min(most, steps_per_turn) + 1)
        if steps_per_turn % n == 0 and not any(fault for _, fault in grid_folding(n, pole_pairs, teeth).values())
    )
