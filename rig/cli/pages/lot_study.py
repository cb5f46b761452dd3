"""What the terminal shows of a gauge study, and of one unit that two shops measured."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from rig.certificate.words.wording import short_name
from rig.cli.group import print_json
from rig.cli.pages.lot_desk import Terminal
from rig.cli.pick import pick_run
from rig.description.lots import LotFile
from rig.jobs.kept.which_run import RunKind
from rig.review.lots.study import Studied
from rig.review.lots.supplier import exchange
from rig.statistics.gauge_study import Component

SCHEMA = "anglewright study 1"


def desk(*, quiet: bool) -> Terminal:
    """A desk that runs units and asks for clampings."""
    file = LotFile.model_validate(
        {"schema": "anglewright lot 1", "lot": "study", "supplier": "-", "part": "-", "quantity": 1}
    )
    return Terminal(file, quiet=quiet)


def document(found: Studied, kept: str) -> dict[str, Any]:
    """The --json document."""
    return {
        "schema": SCHEMA,
        "study": found.name,
        "part": found.part,
        "simulated": found.is_simulated,
        "missing": [list(place) for place in found.missing],
        "runs": list(found.runs),
        "lines": [line.to_dict() for line in found.lines],
        "kept": kept,
    }


def rows(found: Studied, kept: str) -> list[str]:
    """A study: components with their intervals, share of the tolerance, classes of units."""
    text = [f"study {found.name}   part {found.part}   {len(found.runs)} runs"]
    text += ["SIMULATED: no part was measured"] if found.is_simulated else []
    if found.missing:
        unit, clamping, repeat = found.missing[0]
        return [*text, f"{len(found.missing)} runs are missing; next: {unit}, clamping {clamping}, repeat {repeat}"]
    if found.lines:
        shape = " x ".join(map(str, found.lines[0].study.shape))
        text.append(f"{found.lines[0].study.method}, {shape}; s with its 95 % interval, in the line's unit")
    for line in found.lines:
        study = line.study
        share = "no tolerance to share" if line.share is None else f"{100 * line.share:.0f} % of the tolerance left"
        text += [
            f"{short_name(line.measurand, alone=True)} ({line.unit})",
            f"    repeats {_figure(study.repeats)}   clampings {_figure(study.between)}   units {_figure(study.units)}",
            f"    measurement {_figure(study.measurement)}: {share}; tells {study.categories} classes of units apart",
        ]
    return [*text, f"kept as re-clamping scatter: {kept}"] if kept else text


def _figure(one: Component) -> str:
    ends = one.s_interval
    return f"{one.s:.3g}" + ("" if ends is None else f" ({ends[0]:.3g} to {ends[1]:.3g})")


def write(found: Studied, out: Path | None, *, as_json: bool) -> None:
    """The study as a PDF."""
    from rig.certificate.sheets.study import study_sheet
    from rig.cli.pages.report import shop, write_sheet

    write_sheet(study_sheet(found, shop()), out, f"study {found.name}", as_json=as_json)


def show_exchange(runs: tuple[str, str], *, as_json: bool) -> None:
    """E_n line by line of one unit in two runs, ours first."""
    ours, theirs = (pick_run(one, RunKind(certified_first=True)) for one in runs)
    found = exchange(ours, theirs)
    if as_json:
        lines = [{name: getattr(one, name) for name in one.__slots__} for one in found]
        print_json({"ours": ours.id, "theirs": theirs.id, "lines": lines})
        return
    for one in found:
        agree = "agree" if abs(one.En) <= 1.0 else "DISAGREE"
        click.echo(
            f"{short_name(one.measurand, alone=True):<44} {one.ours:.5g}  {one.theirs:.5g}  E_n {one.En:+.2f}  {agree}"
        )
