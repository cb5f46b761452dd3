"""Charts over runs or units: points with their U against the limits in force; one style with the report's plots.

    points_plot(name, caption, [(label, estimate, U, verdict mark)], lower, upper, unit) -> Plot

x counts points, labels stand below. It judges nothing; figures are in the unit that is printed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.certificate.page.chart import ACCENT, INK, MUTED, SECOND, Chart, round_ticks
from rig.certificate.page.plots import HALF_MM, TURN_TICKS, WIDE_MM, Plot
from rig.certificate.words.language import Language
from rig.certificate.words.wording import number, scale_of, short_name, unit_of_line
from rig.result import Judged

STYLES: tuple[tuple[str, float, tuple[float, ...], str], ...] = (  # colour, width, dashes, legend's kind
    (ACCENT, 1.1, (), "strong"),
    (SECOND, 1.0, (4.0, 1.5), "second"),
    (MUTED, 0.8, (), "thin"),
    (MUTED, 0.8, (2.0, 1.2), "thin dashed"),
)
MOST_ORDERS = 32


@dataclass(frozen=True, slots=True)
class Point:
    """One run or unit. label: below the axis."""

    label: str
    line: Judged


def points_plot(points: Sequence[Point], tongue: Language) -> Plot | None:
    """Estimates with U of one measurand over runs or units, with the newest limits; None without two figures."""
    kept = [p for p in points if p.line.result is not None and p.line.result.estimate is not None]
    kept = [p for p in kept if p.line.result is not None and not p.line.result.qualifier]
    if len(kept) < 2:
        return None
    newest = kept[-1].line
    size = abs(newest.result.estimate or 0.0) if newest.result else 0.0
    scale = scale_of(unit_of_line(newest), size)
    rows = [(scale.factor * (r.estimate or 0.0), scale.factor * (r.U or 0.0)) for p in kept if (r := p.line.result)]
    limit = newest.limit
    ends = [scale.factor * e for e in (limit.lower, limit.upper) if e is not None] if limit else []
    low, high = min([y - U for y, U in rows] + ends), max([y + U for y, U in rows] + ends)
    room = 0.12 * (high - low) or 1.0
    chart = Chart(
        HALF_MM, 46.0, x=(0.5, len(kept) + 0.5), y=(low - room, high + room), right_mm=2.0, write=tongue.figures
    )
    name = tongue.say(short_name(newest.measurand, alone=True))
    chart.y_axis(f"{scale.unit}" if scale.unit else " ")
    for end in ends:
        chart.across(end, INK, 0.8, (5.0, 2.0))
    for n, (y, U) in enumerate(rows, start=1):
        if U:
            chart.stem(n, y + U, ACCENT, 1.1, start=y - U)
    chart.dots(range(1, len(rows) + 1), [y for y, _ in rows], ACCENT, 1.6)
    chart.labels([p.label for p in kept])
    first, last = rows[0][0], rows[-1][0]
    alt = f"{name}: {len(rows)} values, {number(first, 4)} first and {number(last, 4)} {scale.unit} last."
    legend = [("dot", tongue.say("estimate ± U"))]
    if ends:
        legend.append(("thin dashed", tongue.say("limit")))
    return Plot(newest.measurand, chart.svg(), alt, name, tuple(legend), HALF_MM)


def overlay_plot(curves: Sequence[tuple[str, Sequence[float], Sequence[float]]], tongue: Language) -> Plot | None:
    """Angle error over the turn of up to four units in one picture: (label, angles deg mech, error arcmin elec)."""
    kept = [(label, np.asarray(x, float), np.asarray(y, float)) for label, x, y in curves[: len(STYLES)] if len(x)]
    kept = [row for row in kept if row[1].size == row[2].size and np.isfinite(row[2]).any()]
    if not kept:
        return None
    reach = 1.15 * max(float(np.nanmax(np.abs(y))) for _, _, y in kept) or 1.0
    chart = Chart(WIDE_MM, 56.0, x=(0.0, 360.0), y=(-reach, reach), right_mm=2.0, write=tongue.figures)
    chart.y_axis(tongue.say("error / ′ electrical"))
    chart.across(0.0, MUTED, 0.5)
    legend = []
    for (label, x, y), (color, width, dash, kind) in zip(kept, STYLES, strict=False):
        chart.line(x, y, color, width, dash)
        legend.append((kind, label))
    chart.x_axis(tongue.say("rotor angle / ° mechanical"), TURN_TICKS)
    alt = "Angle error over one turn: " + ", ".join(label for label, _, _ in kept)
    return Plot("overlay", chart.svg(), alt, tongue.say("Angle error of each, electrical"), tuple(legend), WIDE_MM)


def orders_overlay_plot(
    spectra: Sequence[tuple[str, Sequence[float], Sequence[float]]], tongue: Language
) -> Plot | None:
    """Amplitudes of the orders of up to four units beside each other: (label, orders a turn, arcmin mech)."""
    kept = [
        (label, np.asarray(orders, float), np.asarray(mech, float))
        for label, orders, mech in spectra[: len(STYLES)]
        if len(orders) and len(orders) == len(mech)
    ]
    if not kept:
        return None
    shown = [
        (label, orders[fit], mech[fit])
        for label, orders, mech in kept
        for fit in [(orders > 0) & (orders <= MOST_ORDERS) & np.isfinite(mech)]
    ]
    top = 1.15 * max((float(mech.max()) for _, _, mech in shown if mech.size), default=0.0) or 1.0
    last = max((float(orders.max()) for _, orders, _ in shown if orders.size), default=1.0)
    chart = Chart(WIDE_MM, 48.0, x=(0.0, last + 1.0), y=(0.0, top), right_mm=2.0, write=tongue.figures)
    chart.y_axis(tongue.say("amplitude / ′ mechanical"))
    legend, largest = [], []
    for n, ((label, orders, mech), (color, _, _, kind)) in enumerate(zip(shown, STYLES, strict=False)):
        places, ring = orders + 0.2 * (n - (len(shown) - 1) / 2.0), n == len(STYLES) - 1
        for place, amplitude in zip(places.tolist(), mech.tolist(), strict=True):
            chart.stem(place, amplitude, color, 1.2)
        chart.dots(places, mech, color, 1.3, ring=ring)
        legend.append(("ring" if ring else kind, label))
        if mech.size:
            largest.append(f"{label} order {orders[int(np.argmax(mech))]:.0f} with {number(float(mech.max()), 3)}′")
    chart.x_axis(tongue.say("order a mechanical turn"), range(0, int(last) + 1, 4))
    alt = "Orders of the angle error, the largest of each: " + ", ".join(largest)
    name = tongue.say("Orders of the angle error of each, mechanical")
    return Plot("orders overlay", chart.svg(), alt, name, tuple(legend), WIDE_MM)


def strip_plot(values: Sequence[float], line: Judged, tongue: Language) -> Plot | None:
    """All values of one measurand of a lot on one line, limits dashed; None without three."""
    if len(values) < 3 or line.result is None:
        return None
    scale = scale_of(unit_of_line(line), abs(float(np.median(values))))
    shown = scale.factor * np.asarray(values, float)
    limit = line.limit
    ends = [scale.factor * e for e in (limit.lower, limit.upper) if e is not None] if limit else []
    low, high = min([float(shown.min()), *ends]), max([float(shown.max()), *ends])
    room = 0.08 * (high - low) or 1.0
    chart = Chart(HALF_MM, 30.0, x=(low - room, high + room), y=(0.0, 1.0), write=tongue.figures)
    for end in ends:
        chart.upright(end, INK, 0.8, (5.0, 2.0))
    mean = float(shown.mean())
    chart.stem(mean, 0.95, MUTED, 0.8, start=0.05)
    spread = (0.25 + 0.5 * ((np.arange(shown.size) * 0.618) % 1.0)).tolist()
    chart.dots(shown.tolist(), spread, ACCENT, 1.4)
    name = tongue.say(short_name(line.measurand, alone=True))
    chart.x_axis(scale.unit or " ", round_ticks(low - room, high + room, 5))
    alt = f"{name}: {shown.size} units, mean {number(mean, 4)} {scale.unit}."
    legend = (("dot", tongue.say("one unit")), ("thin", tongue.say("mean")), ("thin dashed", tongue.say("limit")))
    return Plot(line.measurand, chart.svg(), alt, name, legend if ends else legend[:2], HALF_MM)
