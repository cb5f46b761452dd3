"""A gauge study on paper: components with intervals, share of each tolerance, classes told apart, readings by unit.

Figures are those of rig/review/lots/study.py; nothing is judged. The method stands by its name: others give other
figures of the same readings.
"""

from __future__ import annotations

from rig.certificate.page.lot_plots import study_plot
from rig.certificate.sheets.sheet import Cell, Plots, Sheet, Table
from rig.certificate.shop import Shop
from rig.certificate.words.language import language
from rig.certificate.words.wording import find_measurand, number, scale_of, short_name
from rig.errors import UsageError
from rig.review.lots.study import Studied, StudiedLine
from rig.statistics.gauge_study import Component

MOST_PLOTS = 4
FIRST = ("error_max_elec_arcmin", "tr_sin", "r20_sin", "phase_sin_deg")
NESTED = "Clampings are nested in units: those of one unit have nothing in common with those of another."
FEEDS = "The clamping component is the part number's re-clamping scatter; where it is kept, it widens U of later runs."
GUARD = "Share of tolerance: six standard deviations of the measurement over what is left after the guard bands."


def study_sheet(found: Studied, shop: Shop) -> Sheet:
    """A whole study. Raises UsageError while runs are missing."""
    if found.missing or not found.lines:
        raise UsageError(
            f"study {found.name}: {len(found.missing)} runs are missing.", next_action="Complete it, then print it."
        )
    tongue = language(shop.language)
    chosen = [line for id_ in FIRST for line in found.lines if line.measurand == id_] or list(found.lines)
    plots = tuple(
        study_plot(short_name(line.measurand, alone=True), *_in_unit(line), tongue) for line in chosen[:MOST_PLOTS]
    )
    study = found.lines[0].study
    units, clampings, repeats = study.shape
    return Sheet(
        title="Gauge study",
        subject=f"{found.name}, {found.part}",
        facts=(
            ("Part number", found.part),
            ("Units", str(units)),
            ("Clampings of each", str(clampings)),
            ("Repeats in each", str(repeats)),
            ("Method", study.method),
            ("Runs", str(len(found.runs))),
        ),
        blocks=(
            _table(found),
            *(Plots(title="Readings by unit" if n == 0 else "", plots=(p,)) for n, p in enumerate(plots)),
        ),
        simulated=found.is_simulated,
        statements=((NESTED,) if study.method.startswith("nested") else ()) + (FEEDS, GUARD),
    )


def _table(found: Studied) -> Table:
    rows: list[tuple[Cell, ...]] = []
    for line in found.lines:
        study = line.study
        scale = scale_of(find_measurand(line.measurand), max(study.total_s, 1e-300))
        parts = [_figure(one, scale.factor) for one in (study.repeats, study.between, study.units, study.measurement)]
        share = "–" if line.share is None else f"{100 * line.share:.0f} %"
        rows.append((short_name(line.measurand, alone=True), *parts, scale.unit, share, str(study.categories)))
    return Table(
        title="Components, as standard deviations with their 95 % intervals",
        head=("Quantity", "Repeats", "Clampings", "Units", "Measurement", "", "Of tolerance", "Classes"),
        rows=tuple(rows),
        align="lrrrrlrr",
        columns=("36", "26", "26", "26", "26", "", "1fr", ""),
        note="Measurement: repeats and clampings together. Classes: of units that the measurement tells apart.",
    )


def _figure(one: Component, factor: float) -> str:
    ends = one.s_interval
    told = number(factor * one.s, 2)
    return told if ends is None else f"{told} ({number(factor * ends[0], 2)} … {number(factor * ends[1], 2)})"


def _in_unit(line: StudiedLine) -> tuple[str, list[tuple[str, list[list[float]]]]]:
    flat = [v for clampings in line.values.values() for readings in clampings for v in readings]
    scale = scale_of(find_measurand(line.measurand), max(abs(v) for v in flat))
    values = [
        (unit, [[scale.factor * v for v in readings] for readings in clampings])
        for unit, clampings in line.values.items()
    ]
    return scale.unit, values
