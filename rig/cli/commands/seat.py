"""`anglewright seat`: centring and axial place by the signal, with the nudge to make. Words in, text or JSON out."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from rig.jobs.seat import Look, Slide

Told = Callable[[Callable[..., None]], Callable[..., None]]


@click.option("--part", required=True, help="Part file: a name or a path.")
@click.option("--serial", default="seat", show_default=True, help="Serial number of the clamped unit.")
@click.option("--bench", default="simulated", show_default=True, help="Bench file, or a world file.")
@click.option("--world", default=None, help="World of the simulated bench.")
@click.option("--clamping", default=1, show_default=True, help="Which clamping of the world (simulated bench only).")
@click.option("--gap-mm", type=float, default=None, help="Mean radial gap, if it was measured; else 0.6 +- 0.2.")
@click.option("--after", default="", metavar="RUN", help="An earlier look: say what the seat explains, what the part.")
@click.option("--moved", default="", metavar="MM@DEG", help="How the stator was moved since --after, deg mech.")
@click.option("--axial", default="", metavar="MM,MM,MM", help="Instead: places along the shaft, own scale, three up.")
@click.option("--guided", is_flag=True, help="Look, move, look again, until nothing is left to centre.")
@click.option("--speed", default="fast", show_default=True, help="Clock of the simulated bench.")
@click.option("--operator", default="", help="Who does the work.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def seat(gap_mm: float | None, after: str, moved: str, axial: str, guided: bool, as_json: bool, **request: Any) -> None:
    """Read from the signal how the clamped part sits: how far to move the stator, which way, or that it is not seen."""
    from rig.cli.pages import run as screen
    from rig.errors import UsageError
    from rig.jobs import run_job as jobs
    from rig.jobs import seat as seat_run

    if guided and (as_json or axial):
        raise UsageError(
            "--guided asks between its looks.", next_action="Leave --json and --axial out, or look once, without it."
        )

    asked = jobs.Request(sequence="seat", **request)
    progress = screen.Progress(quiet=as_json)
    found: Look | Slide
    if axial:
        places = [_number(word) for word in axial.split(",")]
        found = seat_run.slide(asked, places, _slid(jobs.described(asked)[0].simulated), progress)
        rows = slid(found)
    else:
        found = seat_run.look(asked, gap_mm=gap_mm, after=after, moved=moved, on_progress=progress)
        while guided and (went := _moved(found)):
            found = seat_run.look(asked, gap_mm=gap_mm, after=found.run.id, moved=went, on_progress=progress)
        if guided:
            return  # each look has been told
        rows = looked(found)
    click.echo(json.dumps(found.document(), ensure_ascii=False, allow_nan=False) if as_json else "\n".join(rows))


def _moved(look: Look) -> str:
    """How the stator was moved after this look, "MM@DEG"; "" when nothing is left to move or the person has enough."""
    click.echo("\n".join(looked(look)))
    if look.found is None or not look.found.seen:
        return ""
    advised = f"{look.found.offset_mm:.2f}@{look.found.toward_mech_deg[0]:.0f}"
    told = click.prompt(
        "Moved so, clamped, guard closed? (Enter; else MM@DEG as it was moved; end)", default=advised, err=True
    )
    return "" if told.strip() == "end" else str(told).strip()


def _number(word: str) -> float:
    from rig.errors import UsageError

    try:
        return float(word)
    except ValueError as fault:
        raise UsageError(f"{word!r} is no place in mm.", next_action="Write e.g. --axial=-0.6,-0.2,0.2,0.6.") from fault


def _slid(simulated: bool) -> Callable[[float], None]:
    def ask(place_mm: float) -> None:
        click.echo(f"stator at {place_mm:+.2f} mm along the shaft" + (" (simulated)" if simulated else ""), err=True)
        if not simulated:
            click.confirm("There, clamped, guard closed?", abort=True, err=True)

    return ask


def looked(found: Look) -> list[str]:
    """A radial look in words."""
    rows = ["SIMULATED: no part was measured"] if found.run.header.simulated else []
    rows += [*found.notes]
    for one in found.explained:
        seen = "" if one["seat_seen"] else " (within U: nothing seen)"
        rows.append(
            f"{one['line']}: seat explains {one['seat']:+.4g}{seen}, part and axis {one['part']:.4g} {one['unit']}"
            f"   (before {one['before']:.4g}, U of the seat's share {one['U_seat']:.2g})"
        )
    if found.found is not None and found.found.seen:
        rows.append(
            f"then: anglewright seat ... --after {found.run.id} "
            f"--moved {found.found.offset_mm:.2f}@{found.found.toward_mech_deg[0]:.0f}"
        )
    return [*rows, f"run {found.run.id}"]


def slid(found: Slide) -> list[str]:
    """Places along the shaft in words."""
    rows = [f"{p.axial_mm:+.2f} mm   ratio {p.ratio:.5f}   L {1e3 * p.l_exc:.4f} mH" for p in found.places]
    if found.level is None:
        return [*rows, "too few places were measured to find the peak"]
    at = f"level at {found.level.axial_mm:+.2f} mm (U {found.level.U_mm:.2f}), on the scale of the places"
    if not found.level.inside:
        return [*rows, f"the peak lies beyond the places tried, near {found.level.axial_mm:+.2f} mm: go on that way"]
    return [*rows, at, f"the ratio gains {100 * found.level.ratio_gain:.2f} % there against the first place"]


def register(cli: click.Group, guard: Told) -> None:
    """Add `seat` to the command line."""
    cli.command("seat")(guard(seat))
