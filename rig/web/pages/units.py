"""Units: the search, and one run with its lines, pictures, report and history. What is unsound is said first."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query, Request
from markupsafe import Markup
from starlette.responses import Response

from rig.certificate.content.key_lines import bar_of
from rig.certificate.content.report import Content, build_content
from rig.certificate.page.plots import plots
from rig.certificate.seal.register import Register
from rig.certificate.words.differences import difference_text
from rig.certificate.words.language import language
from rig.certificate.words.wording import display, short_name
from rig.jobs.kept.kept_run import kept_run
from rig.jobs.kept.which_run import LONGEST, search_runs
from rig.records.run.remarks import read_remarks
from rig.records.run.stored import StoredRun
from rig.records.run.suspect import suspect_state, suspect_words
from rig.result import Judgement
from rig.uncertainty.conformity import Verdict
from rig.web.api.common import panel_of, run_named
from rig.web.language import language_of
from rig.web.pages.frame import render
from rig.web.panel import Panel

router = APIRouter()
Here = Annotated[Panel, Depends(panel_of)]
Word = Annotated[str, Query(max_length=LONGEST)]
FAILED = (Verdict.FAIL, Verdict.CONDITIONAL_FAIL)  # they stand first


@router.get("/units")
def units(request: Request, panel: Here, q: Word = "", after: Word = "") -> Response:
    """The newest runs, or those that a serial, job, part or report number fits."""
    found = search_runs(panel.store, q, after=after)
    exact = next((row for row in found.rows if q and q.casefold() in (row.serial.casefold(), row.run.casefold())), None)
    first = exact or (found.rows[0] if q and found.rows else None)
    words = phone_words(panel, first.run) if first is not None else None
    numbers = report_numbers(panel)
    paths = {row.run: panel.store.folder / row.run for row in found.rows}
    return render(
        request,
        "units.html",
        "Units",
        q=q,
        found=found,
        phone=words,
        first=first,
        numbers=numbers,
        suspect={run: suspect_words(path) for run, path in paths.items()},
        states={run: suspect_state(path) for run, path in paths.items()},
    )


@router.get("/units/{run}")
def unit(request: Request, run: str, panel: Here, lines: str = "limits") -> Response:
    """One run: verdict, lines, pictures, report, the serial's other runs."""
    stored = run_named(panel, run)
    finished = kept_run(stored.id)
    judgement = finished.judgement
    content = content_of(stored, judgement)
    code = language_of(request, panel)
    pictures = (
        plots(content.curves, content.pole_pairs, content.error_limit_elec_arcmin, "arcmin", language(code))
        if content is not None
        else ()
    )
    serial = stored.header.serial
    others = search_runs(panel.store, serial=serial, most=8) if serial else None
    register = Register(panel.home)
    reports = [(entry, register.state(entry.number)) for entry in reversed(register.of_run(stored.id))]
    return render(
        request,
        "unit.html",
        "Units",
        stored=stored,
        judgement=judgement,
        content=content,
        pictures=[(one, Markup(one.svg)) for one in pictures if one.name in ("error", "lissajous")],
        rows=line_rows(judgement, content, every=lines == "all"),
        every=lines == "all",
        others=others,
        reports=reports,
        open_lines=finished.open_lines(),
        remarks=read_remarks(stored.path),
        suspect=suspect_words(stored.path),
        suspect_state=suspect_state(stored.path),
        short_name=short_name,
    )


@router.get("/units/{run}/report")
def report(request: Request, run: str, panel: Here) -> Response:
    """The report of a run on screen, with what can be done with it."""
    stored = run_named(panel, run)
    register = Register(panel.home)
    entries = [(entry, register.state(entry.number)) for entry in reversed(register.of_run(stored.id))]
    sent = [one for one in read_remarks(stored.path) if one.step == "report sent"]
    return render(request, "report.html", "Units", stored=stored, reports=entries, sent=sent)


@router.get("/compare")
def compare(
    request: Request, panel: Here, q: Word = "", despite: Annotated[list[str] | None, Query(max_length=8)] = None
) -> Response:
    """Two to four units of one part number side by side. q: serials or runs, with spaces between."""
    from rig.errors import RigError
    from rig.jobs.kept.which_run import RunKind
    from rig.review.units import comparing
    from rig.review.units.advice import advice

    names = q.split()
    table, opinion, trouble = None, None, ""
    if len(names) >= 2:
        try:
            runs = [run_named(panel, one, RunKind(certified_first=True)) for one in names]
            table = comparing.compare(runs, despite=despite or [])
            opinion = advice(table)
        except RigError as fault:
            trouble = str(fault)
    return render(
        request,
        "compare.html",
        "Units",
        q=q,
        table=table,
        opinion=opinion,
        trouble=trouble,
        short_name=short_name,
        display=display,
        difference_text=difference_text,
    )


def content_of(stored: StoredRun, judgement: Judgement) -> Content | None:
    """What its report would say; None where the run was cut short."""
    if stored.record is None or stored.judgement is None:
        return None
    return build_content(stored, judgement, issued_utc=stored.record.ended_utc or stored.header.started_utc)


def line_rows(judgement: Judgement, content: Content | None, *, every: bool) -> list[dict[str, Any]]:
    """The lines as they stand on the page: name, figures, bar, verdict; with `every` those without a limit too."""
    guard = content.guard if content is not None else 1.0
    rows = []
    for line in sorted(judgement.judged, key=lambda line: line.verdict not in FAILED):
        if not every and line.limit is None:
            continue
        shown = display(line, guard)
        rows.append(
            {
                "name": short_name(line.measurand, alone=True),
                "shown": shown,
                "bar": None if line.spoiled else bar_of(line, guard),
                "verdict": shown.verdict,
                "spoiled": line.spoiled,
            }
        )
    return rows


def phone_words(panel: Panel, run: str) -> dict[str, Any] | None:
    """What can be said on the phone about a run: outcome, the gravest sentence, what was not tested."""
    stored = run_named(panel, run)
    judgement = stored.judgement
    content = content_of(stored, judgement) if judgement is not None else None
    if judgement is None or content is None:
        return None
    sentences = [reason.text for reason in judgement.reasons[:1]] or [f.text for f in judgement.findings[:1]]
    return {"serial": stored.header.serial, "run": stored.id, "content": content, "sentences": sentences}


def report_numbers(panel: Panel) -> dict[str, str]:
    """Run -> the number of its newest report."""
    return {entry.run: entry.number for entry in Register(panel.home).entries if entry.event != "withdrawn"}
