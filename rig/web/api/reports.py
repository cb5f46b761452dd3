"""Reports over HTTP: list, issue, amend, withdraw, download a face, verify a file from anywhere."""

from __future__ import annotations

import tempfile
from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends, UploadFile
from pydantic import BaseModel, Field
from starlette.responses import FileResponse

from rig.certificate.seal.register import Register, in_force
from rig.jobs.kept.kept_run import files_of
from rig.web.access.table import API
from rig.web.access.who import Who
from rig.web.api.common import asking, panel_of, run_named
from rig.web.panel import Panel
from rig.web.problem import Refusal

router = APIRouter(prefix=API)
Asking = Annotated[Who, Depends(asking)]
Here = Annotated[Panel, Depends(panel_of)]
LARGEST = 64 << 20
FACES = {"pdf": "certificate", "json": "data", "xml": "xml", "csv": "table"}


class Issue(BaseModel):
    """Why an amended report takes the place of the last one ("" for the first), and what is said differently."""

    reason: str = Field(default="", max_length=1000)
    corrections: dict[str, Annotated[str, Field(max_length=256)]] = Field(default_factory=dict, max_length=8)


class Withdrawal(BaseModel):
    """Why."""

    reason: str = Field(min_length=1, max_length=1000)


@router.get("/reports")
def reports(panel: Here) -> dict[str, Any]:
    """Every report with its state, newest first, at most 100; and where the register is broken."""
    register = Register(panel.home)
    rows = in_force(register.entries, register)[:100]
    return {"reports": [{**asdict(entry), "state": state} for entry, state in rows], "broken": list(register.faults)}


@router.get("/reports/{number}")
def report(number: str, panel: Here) -> dict[str, Any]:
    """One report's register line and its state."""
    register = Register(panel.home)
    entry = register.find(number)
    if entry is None:
        raise Refusal(404, f"no report {number!r} is in the register.", "Take one of the list.")
    return {**asdict(entry), "state": register.state(number)}


@router.post("/runs/{run}/report", status_code=201)
def issue(run: str, body: Issue, who: Asking, panel: Here) -> dict[str, Any]:
    """Issue a run's report, or with a reason an amended one."""
    from rig.certificate.issue import issue as make

    stored = run_named(panel, run)
    made = make(panel.store, stored, reason=body.reason, corrections=body.corrections)
    panel.note(who, "report amended" if body.reason else "report issued", made.number)
    return {"run": stored.id, "number": made.number, "again": made.again}


@router.post("/reports/{number}/withdrawal", status_code=201)
def withdraw(number: str, body: Withdrawal, who: Asking, panel: Here) -> dict[str, Any]:
    """Withdraw a report; it stays listed."""
    from rig.certificate.issue import withdraw as take_back

    entry = take_back(panel.store, number, body.reason)
    panel.note(who, "report withdrawn", entry.number)
    return {"number": entry.number, "withdrawn": entry.reason}


@router.get("/runs/{run}/report/{face}")
def download(run: str, face: Literal["pdf", "json", "xml", "csv"], panel: Here) -> FileResponse:
    """A face of a run's newest report."""
    stored = run_named(panel, run)
    path = files_of(stored).get(FACES[face])
    if path is None:
        raise Refusal(404, f"run {stored.id} has no report yet.", "Issue one first.")
    kinds = {"pdf": "application/pdf", "json": "application/json", "xml": "application/xml", "csv": "text/csv"}
    return FileResponse(path, media_type=kinds[face], filename=Path(path).name, content_disposition_type="inline")


@router.post("/reports/verify")
async def verify(file: UploadFile, panel: Here) -> dict[str, Any]:
    """Whether a report's file is unchanged, altered (and where) or unknown."""
    from rig.certificate.seal.verify import verify as check

    data = await file.read(LARGEST + 1)
    if len(data) > LARGEST:
        raise Refusal(413, "the file is larger than 64 MiB.", "Give the report's own file.")
    suffix = Path(file.filename or "").suffix.lower()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"report{suffix if suffix in ('.pdf', '.xml', '.json') else ''}"
        path.write_bytes(data)
        found = asdict(check(path, panel.home))
    return {**found, "file": file.filename or ""}
