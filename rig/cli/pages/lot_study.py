"""What the terminal shows of a gauge study, and of one unit that two shops measured."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from textwrap import wrap
from typing import Any

import click

from rig.certificate.words.wording import Scale, find_measurand, number, scale_of, short_name
from rig.cli.group import print_json
from rig.cli.pages.lot_desk import Terminal
from rig.cli.pick import pick_run
from rig.description.lots import LotFile
from rig.jobs.kept.which_run import RunKind
from rig.review.lots.study import Studied, StudiedLine
from rig.review.lots.supplier import exchange
from rig.statistics.gauge_study import Component

SCHEMA = "anglewright study 1"
NAME_WIDTH = 21
FINER = {  # unit -> (s below which another one reads better, that one)
    "ratio": (1e-2, Scale(1e6, "10⁻⁶")),
    "ohm": (1e-3, Scale(1e3, "mΩ")),
    "deg": (1e-2, Scale(1e3, "m°")),
    "degC": (1e-2, Scale(1e3, "mK")),
    "K": (1e-2, Scale(1e3, "mK")),
}


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
        text.append(f"{found.lines[0].study.method}, {shape}; s, below it its 95 % interval")
        text.append(_row("", ("repeats", "clampings", "units"), "     share"))
    for line in found.lines:
        text += _line_rows(line)
    if found.lines:
        text.append("share: six s of the measurement over the tolerance left; below it how many")
        text.append("classes of units the measurement tells apart")
    return [*text, f"kept as re-clamping scatter: {kept}"] if kept else text


def _line_rows(line: StudiedLine) -> list[str]:
    study = line.study
    scale = _scale(line)
    parts = [(number(scale.factor * s.s, 2), _interval(s, scale)) for s in (study.repeats, study.between, study.units)]
    share = "\u2013" if line.share is None else f"{100 * line.share:.0f} %"
    name, *more = wrap(short_name(line.measurand, alone=True), NAME_WIDTH)
    rows = [_row(name, [s for s, _ in parts], f"{scale.unit:<5}{share:>5}")]
    rows.append(_row(more[0] if more else "", [ends for _, ends in parts], f"{study.categories:>10}"))
    return rows + more[1:]


def _scale(line: StudiedLine) -> Scale:
    """The unit in which the scatter of a line reads well; of a bare ratio, parts in a million."""
    size = max(line.study.total_s, 1e-300)
    m = find_measurand(line.measurand)
    below, finer = FINER.get(m.unit, (0.0, Scale(1.0, "")))
    return finer if 0.0 < line.study.total_s < below else scale_of(m, size)


def _row(name: str, columns: Sequence[str], rest: str) -> str:
    return f"{name:<{NAME_WIDTH}}{''.join(f'{text:>16}' for text in columns)} {rest}".rstrip()


def _interval(one: Component, scale: Scale) -> str:
    ends = one.s_interval
    return "" if ends is None else f"{number(scale.factor * ends[0], 2)} \u2026 {number(scale.factor * ends[1], 2)}"


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
