"""Clamp: the next unit's data, its connector from both sides, the cautions, and the way to the hand at the bench."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Query, Request
from starlette.responses import Response

from rig.description.holders import load_holder
from rig.description.parts import PartFile, load_part
from rig.description.places import known_names
from rig.errors import RigError
from rig.jobs.bench.description_files import bench_of
from rig.jobs.kept.which_run import LONGEST, search_runs
from rig.web.api.common import panel_of
from rig.web.pages.frame import render
from rig.web.panel import Panel
from rig.web.parts.connector import connector_picture
from sequences.registry import SEQUENCES

router = APIRouter()
Here = Annotated[Panel, Depends(panel_of)]
Word = Annotated[str, Query(max_length=LONGEST)]
ROTORS = (("own", "own rotor"), ("shop master", "the shop's master rotor"), ("none", "no rotor"))
WHYS = (  # as the planner of rig/pins/by_hand says why a pair is asked
    "likeliest to be one circuit",
    "is this pin empty?",
    "are these circuits apart?",
    "is it clear of the core?",
)
MASTER = "Angle error will belong to this stator with the shop's master rotor, not to the rotor that it is sold with."


@router.get("/clamp")
def clamp(
    request: Request, panel: Here, serial: Word = "", part: Word = "", job: Word = "", retest_of: Word = ""
) -> Response:
    """The form of the next run. serial, part, job, retest_of: as a link from a unit's page fills them."""
    bench = bench_of(panel.bench)
    parts = known_names("part")
    chosen = part if part in parts else (parts[0] if parts else "")
    file, trouble = _part(chosen)
    before = search_runs(panel.store, serial=serial, most=3) if serial else None
    faces = []
    if file is not None:
        for mirrored, words in ((False, "Looking into the pins"), (True, "From the wires, mirrored")):
            picture = connector_picture(
                file.pins, file.empty_pins, mirrored=mirrored, proven=file.confirmed, words=f"{words}: {chosen}"
            )
            faces.append((words, picture))
    return render(
        request,
        "clamp.html",
        "Clamp",
        serial=serial,
        chosen=chosen,
        job=job,
        retest_of=retest_of,
        parts=parts,
        part_file=file,
        trouble=trouble,
        faces=faces,
        holders=known_names("holder"),
        holder=bench.holder,
        safety=load_holder(bench.holder).safety,
        master=MASTER,
        rotors=ROTORS,
        sequences=[one for one in SEQUENCES.values() if one.traits.judges_part],
        worlds=known_names("world") if bench.world is not None else [],
        world=str(bench.world or "").rpartition("/")[2].removesuffix(".toml"),
        before=before,
    )


@router.get("/pins")
def pins(request: Request) -> Response:
    """Which coil is on which pin, by two probes in the hand: the pair to touch, shown on the connector's face."""
    return render(request, "pins.html", "Clamp", whys={one: one for one in WHYS})


def _part(name: str) -> tuple[PartFile | None, str]:
    if not name:
        return None, "No part file is here yet: find its pins first (anglewright pins ask)."
    try:
        return load_part(name, draft=True), ""
    except RigError as fault:
        return None, str(fault)


def limit_of_error(part: str) -> float | None:
    """The part file's limit of the largest angle error, arcmin electrical; None without one."""
    try:
        file = load_part(part, draft=True)
    except RigError:
        return None
    for limit in file.limits:
        if limit.measurand == "error_max_elec_arcmin":
            return limit.upper
        if limit.measurand == "error_max_mech_arcmin" and limit.upper is not None:
            return limit.upper * file.pole_pairs
    return None
