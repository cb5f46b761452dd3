"""Kept runs over HTTP: list, one, its journal, raw file and curves; remarks, photos, judging again."""

from __future__ import annotations

import tempfile
from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends, Query, UploadFile
from pydantic import BaseModel, Field
from starlette.responses import FileResponse

from rig.jobs.kept.kept_run import kept_run
from rig.jobs.kept.which_run import LONGEST, search_runs
from rig.web.access.table import API
from rig.web.access.who import Who
from rig.web.api.common import asking, panel_of, run_named
from rig.web.panel import Panel
from rig.web.problem import Refusal

router = APIRouter(prefix=API)
Asking = Annotated[Who, Depends(asking)]
Here = Annotated[Panel, Depends(panel_of)]
LARGEST_PHOTO = 20 << 20
Word = Annotated[str, Query(max_length=LONGEST)]


class NewRemark(BaseModel):
    """What a person saw."""

    text: str = Field(min_length=1, max_length=4000)
    step: str = Field(default="", max_length=64)


class AgainBy(BaseModel):
    """By which limits: those of the run (null), a version of the learned ones, 0 for the newest approved."""

    learned: int | None = Field(default=None, ge=0, le=1_000_000)


class SuspectEnd(BaseModel):
    """cleared: the figures stand; confirmed: they don't, and the run is judged again. evidence: a run that shows it."""

    decision: Literal["cleared", "confirmed"]
    why: str = Field(min_length=1, max_length=400)
    evidence: str = Field(default="", max_length=64)


@router.get("/suspects")
def suspects(panel: Here) -> dict[str, Any]:
    """What is suspect in this home, open or settled, newest run first."""
    from rig.jobs.night.checks.settling import suspects_of_home

    return {"suspects": suspects_of_home(panel.store)}


@router.post("/runs/{run}/suspects", status_code=201)
def settle_suspect(run: str, body: SuspectEnd, who: Asking, panel: Here) -> dict[str, Any]:
    """End what is suspect of a run, with a reason; entries, figures and reports stay as they are."""
    from rig.jobs.night.checks.settling import settle

    stored = run_named(panel, run)
    made = settle(panel.store, stored.id, body.decision, why=body.why, who=who.name, evidence=body.evidence)
    panel.note(who, f"suspect {body.decision}", f"{stored.id}: {body.why}")
    return made


@router.get("/runs")
def runs(
    panel: Here,
    q: Word = "",
    serial: Word = "",
    part: Word = "",
    job: Word = "",
    after: Word = "",
    most: Annotated[int, Query(ge=1, le=100)] = 100,
) -> dict[str, Any]:
    """Runs, newest first, at most 100; `next` goes into `after` for the next page."""
    where = {key: value for key, value in (("serial", serial), ("part", part), ("job", job)) if value}
    page = search_runs(panel.store, q, after=after, most=most, **where)
    return {"runs": [asdict(row) for row in page.rows], "total": page.total, "next": page.cursor or None}


@router.get("/runs/{run}")
def run(run: str, panel: Here) -> dict[str, Any]:
    """One run with every line; the shape of --json."""
    return kept_run(run_named(panel, run).id).document()


@router.get("/runs/{run}/journal")
def journal(run: str, panel: Here, after: Annotated[int, Query(ge=0)] = 0) -> dict[str, Any]:
    """Journal lines after number `after`, at most 1000."""
    lines = [line for line in run_named(panel, run).journal.lines if line.n > after][:1000]
    return {"lines": [{"n": line.n, "kind": line.kind, "data": dict(line.data)} for line in lines]}


@router.get("/runs/{run}/raw")
def raw(run: str, panel: Here) -> FileResponse:
    """The raw file (HDF5), unchanged."""
    stored = run_named(panel, run)
    path = stored.path / "raw.h5"
    if not path.is_file():
        raise Refusal(404, f"run {stored.id} has no closed raw file.", "Wait until the run is closed.")
    return FileResponse(path, media_type="application/x-hdf5", filename=f"{stored.id}.h5")


@router.get("/runs/{run}/curves")
def curves(run: str, panel: Here) -> dict[str, Any]:
    """The curves of the newest judgement, as the report draws them."""
    judgement = run_named(panel, run).judgement
    return {"curves": judgement.curves.to_dict() if judgement is not None else {}}


@router.post("/runs/{run}/remarks", status_code=201)
def remark(run: str, body: NewRemark, who: Asking, panel: Here) -> dict[str, Any]:
    """Note what was seen; it is never changed afterwards."""
    made = panel.store.add_remark(run_named(panel, run).id, body.text, author=who.name, step=body.step)
    return asdict(made)


@router.post("/runs/{run}/photos", status_code=201)
async def photo(
    run: str, file: UploadFile, who: Asking, panel: Here, text: Annotated[str, Query(max_length=4000)] = ""
) -> dict[str, Any]:
    """Add a photo (JPEG, PNG, WebP, at most 20 MiB)."""
    stored = run_named(panel, run)
    data = await file.read(LARGEST_PHOTO + 1)
    if len(data) > LARGEST_PHOTO:
        raise Refusal(413, "the photo is larger than 20 MiB.", "Take a smaller one.")
    with tempfile.TemporaryDirectory() as folder:
        aside = Path(folder) / "photo"
        aside.write_bytes(data)
        return asdict(panel.store.add_remark(stored.id, text, author=who.name, photo=aside))


@router.post("/runs/{run}/judgements", status_code=201)
def judge_again(run: str, body: AgainBy, who: Asking, panel: Here) -> dict[str, Any]:
    """Judge a run again; the old judgement stays beside the new one."""
    from rig.review.archive.archive import judge_again as again

    stored = run_named(panel, run)
    file, changed = again(panel.store, stored.id, learned=body.learned)
    panel.note(who, "judged again", stored.id)
    return {"run": stored.id, "file": file.name, **changed}
