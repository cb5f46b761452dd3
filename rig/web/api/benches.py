"""Benches over HTTP: which there are, how one stood when it was last looked at, ask it again, stop what runs on it.

A look is a process of its own (`anglewright bench check`): this one opens no link. Nothing here arms or resumes.
"""

from __future__ import annotations

import asyncio
import json
import sys
from typing import Annotated, Any

from fastapi import APIRouter, Depends

from rig.description.places import known_names
from rig.web.access.table import API
from rig.web.access.who import Who
from rig.web.api.common import asking, panel_of
from rig.web.panel import Panel
from rig.web.problem import Refusal

router = APIRouter(prefix=API)
Asking = Annotated[Who, Depends(asking)]
Here = Annotated[Panel, Depends(panel_of)]
LOOK_PATIENCE_S = 60.0


@router.get("/benches")
def benches(panel: Here) -> dict[str, Any]:
    """The benches that have a file; the panel serves one of them."""
    return {"benches": known_names("bench"), "served": panel.bench}


@router.get("/benches/{bench}")
def bench(bench: str, panel: Here) -> dict[str, Any]:
    """How a bench stands: its line, and the last look at it (null: not yet)."""
    _require_bench(bench)
    return {"bench": bench, "line": panel.bench_line().in_words(), "look": panel.looks.get(bench)}


@router.post("/benches/{bench}/look")
async def look(bench: str, who: Asking, panel: Here) -> dict[str, Any]:
    """Ask every instrument of a bench whether it answers; nothing is driven. Refused while a run holds the bench."""
    _require_bench(bench)
    if panel.bench_line().stoppable and bench == panel.bench:
        raise Refusal(409, "a run holds the bench.", "Wait for its end.")
    words = [sys.executable, "-m", "rig", "bench", "check", bench, "--json"]
    process = await asyncio.create_subprocess_exec(
        *words, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE
    )
    try:
        out, err = await asyncio.wait_for(process.communicate(), LOOK_PATIENCE_S)
    except TimeoutError as fault:
        process.kill()
        raise Refusal(504, f"bench {bench} did not answer within {LOOK_PATIENCE_S:.0f} s.", "Look at power.") from fault
    try:
        found: dict[str, Any] = json.loads(out)
    except ValueError as fault:
        said = err.decode(errors="replace").strip().splitlines() or ["it said nothing"]
        raise Refusal(502, said[-1], "Check power, cables and the bench file.") from fault
    panel.note(who, "bench looked at", bench)
    panel.looks[bench] = found | {"at_utc": panel.now_utc()}
    return panel.looks[bench]


@router.post("/benches/{bench}/stop")
def stop(bench: str, who: Asking, panel: Here) -> dict[str, Any]:
    """Stop what runs on a bench: outputs off, axis halted. No emergency stop: that is the button at the bench."""
    _require_bench(bench)
    stopped = panel.feed.send("stop", by=who.name) if bench == panel.bench else False
    panel.note(who, "stop", bench, "asked for" if stopped else "nothing runs")
    return {"bench": bench, "asked_for": stopped}


def _require_bench(bench: str) -> None:
    if bench not in known_names("bench"):
        raise Refusal(404, f"no bench is called {bench[:64]!r}.", "Take one of the list.")
