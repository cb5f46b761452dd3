"""Pages of `run reclock` and `run recheck`, and the questions to the hands at the spindle."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from rig.jobs.bench.reclock import Rechecked, Reclocked

ARCMIN = math.pi / 10_800.0


def ask_for_place(simulated: bool) -> Callable[[int, int, float], None]:
    """What tells the person where the rotor goes, and waits until it stands there and the lock pin is out."""

    def ask(number: int, of: int, place_mech_deg: float) -> None:
        mark = f"place {number} of {of}: the rotor at {place_mech_deg:.0f} deg (mechanical) on the spindle"
        click.echo(mark + (" (simulated)" if simulated else ""), err=True)
        if simulated:
            return
        click.echo(
            "The bench is closed and safe. Put the lock pin into the spindle's collar; open the arbor's clamp; turn "
            "the rotor to the mark; tighten. Don't touch the stator, nor the coupling.",
            err=True,
        )
        click.confirm("Is the rotor within 3 deg of the mark, and the clamp tight?", abort=True, err=True)
        click.confirm("Is the lock pin out again and hung up, and the guard closed?", abort=True, err=True)

    return ask


def reclock_rows(found: Reclocked) -> list[str]:
    """What a set found of the axis, what speaks against it, and whether reports apply it."""
    made, data = found.found, found.data
    rows = [
        f"{made.part} {made.serial}, {made.pole_pairs} pole pairs, {made.places} places of the rotor, {made.mode}",
        f"places off even ones by {made.uneven_mech_deg:.2f} deg mech at most; once a turn scatters by "
        f"{made.scatter_elec_arcmin:.3f}' elec between places",
        "",
        "axis, orders a turn (mechanical arcmin; the radius holds the truth at about 95 %)",
    ]
    for row in data["orders"]:
        size, radius = abs(complex(*row["coefficient_mech_rad"])) / ARCMIN, row["radius_mech_rad"] / ARCMIN
        said = "" if row["applied"] else "   not beyond the radius: bounded"
        rows.append(f"  order {row['order']:>2}   {size:7.3f}   +- {radius:.3f}{said}")
    left = sorted(set(range(1, 9)) - {row["order"] for row in data["orders"]})
    if left:
        rows.append(f"  orders that stay as the bench file states them: {', '.join(map(str, left))}")
    rows.append("")
    rows += [f"refused ({one.name}): {one.text}" for one in made.refusals]
    if found.check is not None and found.belief is not None:
        numbers = ", ".join(f"{n}: {value:.2f}" for n, value in found.belief.differences.items())
        said = "agrees" if found.belief.agrees else "does NOT agree"
        rows.append(f"{found.check.what} {said} (E_n by order {numbers or 'none common'})")
    rows.append(_standing(found))
    return [*rows, *([f"kept {found.file}"] if found.file else [])]


def _standing(found: Reclocked) -> str:
    if not found.file:
        return "not kept: repeat the set"
    if found.is_applied:
        return f"reports apply it for {found.days:.0f} days, within 5 K, as long as a recheck a week passes"
    if found.belief is not None and not found.belief.agrees:
        return (
            "shown, not applied: the second part does not find the same axis; look at coupling and clamps, repeat both"
        )
    return (
        "shown, not applied, until a second part agrees: run reclock with another master (4 pole pairs or more), or "
        "with this one after its stator was clamped anew and turned (--stator-turned)"
    )


def recheck_rows(found: Rechecked) -> list[str]:
    """What moved against its limit, and what follows."""
    data = found.found.to_data()
    rows = [
        f"axis moved at order {n}: {moved:.3f}' mech (at most {data['limits_mech_arcmin'][n]:.2f}')"
        for n, moved in data["moved_mech_arcmin"].items()
    ]
    if not found.found.beyond:
        return [*rows, "within the limits: the correction stays in force"]
    if found.in_a_row == 1:
        return [*rows, "beyond: the correction is left aside; repeat the recheck once"]
    return [*rows, "beyond again: the correction is void; look at coupling and index, then run reclock"]
