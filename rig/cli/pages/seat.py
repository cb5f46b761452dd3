"""What the terminal shows of a look at the seat, and what it asks between two looks."""

from __future__ import annotations

from collections.abc import Callable

import click

from rig.errors import UsageError
from rig.jobs.question.seat import Look, Slide


def places(text: str) -> list[float]:
    """Places along the shaft, mm, from MM,MM,MM. Raises UsageError."""
    try:
        return [float(word) for word in text.split(",")]
    except ValueError as fault:
        raise UsageError(
            f"{text!r} holds no places in mm.", next_action="Write e.g. --axial=-0.6,-0.2,0.2,0.6."
        ) from fault


def ask_for_place(simulated: bool) -> Callable[[float], None]:
    """Ask the person to put the stator at a place along the shaft."""

    def ask(place_mm: float) -> None:
        click.echo(f"stator at {place_mm:+.2f} mm along the shaft" + (" (simulated)" if simulated else ""), err=True)
        if not simulated:
            click.confirm("There, clamped, guard closed?", abort=True, err=True)

    return ask


def ask_for_move(look: Look) -> str:
    """How the stator was moved after this look, "MM@DEG"; "" when nothing is left to move or the person has enough."""
    if look.found is None or not look.found.is_offset:
        return ""
    advised = f"{look.found.offset_mm:.2f}@{look.found.toward_mech_deg[0]:.0f}"
    answer = click.prompt(
        "Moved so, clamped, guard closed? (Enter; else MM@DEG as it was moved; end)", default=advised, err=True
    )
    return "" if answer.strip() == "end" else str(answer).strip()


def look_rows(found: Look) -> list[str]:
    """A radial look in words."""
    rows = ["SIMULATED: no part was measured"] if found.run.header.simulated else []
    rows += [*found.notes]
    for one in found.explained:
        seen = "" if one["seat_seen"] else " (within U: nothing seen)"
        rows.append(
            f"{one['line']}: seat explains {one['seat']:+.4g}{seen}, part and axis {one['part']:.4g} {one['unit']}"
            f"   (before {one['before']:.4g}, U of the seat's share {one['U_seat']:.2g})"
        )
    if found.found is not None and found.found.is_offset:
        rows.append(
            f"then: anglewright run seat ... --after {found.run.id} "
            f"--moved {found.found.offset_mm:.2f}@{found.found.toward_mech_deg[0]:.0f}"
        )
    return [*rows, f"run {found.run.id}"]


def slide_rows(found: Slide) -> list[str]:
    """Places along the shaft in words."""
    rows = [f"{p.axial_mm:+.2f} mm   ratio {p.ratio:.5f}   L {1e3 * p.l_exc:.4f} mH" for p in found.places]
    if found.level is None:
        return [*rows, "too few places were measured to find the peak"]
    at = f"level at {found.level.axial_mm:+.2f} mm (U {found.level.U_mm:.2f}), on the scale of the places"
    if not found.level.inside:
        return [*rows, f"the peak lies beyond the places tried, near {found.level.axial_mm:+.2f} mm: go on that way"]
    return [*rows, at, f"the ratio gains {100 * found.level.ratio_gain:.2f} % there against the first place"]
