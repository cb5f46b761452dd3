"""Pictures of lots and gauge studies: what a plan can see, and where the readings of each unit and clamping lie.

It judges nothing; figures are in the unit that is printed.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from rig.certificate.page.chart import ACCENT, INK, MUTED, SECOND, Chart, round_ticks
from rig.certificate.page.plots import WIDE_MM, Plot
from rig.certificate.page.trend import STYLES
from rig.certificate.words.language import Language
from rig.certificate.words.wording import number

POINTS = 100
REACH = 0.4  # of the lot, up to which the curve is drawn
MOST_DOTS = 24


def characteristic_plot(
    curves: Sequence[tuple[str, Callable[[int], float]]], lot_size: int, tongue: Language, width_mm: float = WIDE_MM
) -> Plot | None:
    """Probability of acceptance over the nonconforming units in a lot of this size, up to four plans; None without."""
    shown = curves[: len(STYLES)]
    if not shown:
        return None
    last = max(2, math.ceil(REACH * lot_size))
    x = np.unique(np.linspace(0, last, min(last, POINTS) + 1).round().astype(int))
    chart = Chart(width_mm, 46.0, x=(0.0, float(last)), y=(0.0, 1.0), write=tongue.figures)
    chart.y_axis(tongue.say("accepted, share"))
    legend, told = [], []
    for (name, passes), (color, width, dash, kind) in zip(shown, STYLES, strict=False):
        y = np.asarray([passes(int(bad)) for bad in x])
        chart.line(x.astype(float), y, color, width, dash)
        if len(x) <= MOST_DOTS:
            chart.dots(x.astype(float).tolist(), y.tolist(), color, 1.3)
        legend.append((kind, tongue.say(name)))
        told.append(f"{name} {number(100 * float(y[1]), 2)} % with {int(x[1])}")
    chart.x_axis(
        tongue.say("nonconforming units in the lot"), [t for t in round_ticks(0.0, float(last), 8) if t % 1 == 0]
    )
    alt = "Operating characteristic: " + ", ".join(told)
    return Plot(
        "operating characteristic", chart.svg(), alt, tongue.say("What the plan can see"), tuple(legend), width_mm
    )


def study_plot(name: str, unit: str, values: Sequence[tuple[str, Sequence[Sequence[float]]]], tongue: Language) -> Plot:
    """Every reading of a gauge study over its unit; clampings beside each other, their means joined by a line."""
    flat = [v for _, clampings in values for readings in clampings for v in readings]
    low, high = min(flat), max(flat)
    room = 0.1 * (high - low) or 1.0
    chart = Chart(WIDE_MM, 52.0, x=(0.5, len(values) + 0.5), y=(low - room, high + room), write=tongue.figures)
    chart.y_axis(unit or " ")
    chart.across(float(np.mean(flat)), MUTED, 0.5, (4.0, 2.0))
    for n, (_, clampings) in enumerate(values, start=1):
        places = n + 0.6 * (np.arange(len(clampings)) - (len(clampings) - 1) / 2.0) / max(len(clampings), 1)
        means = [float(np.mean(readings)) for readings in clampings]
        chart.line(np.asarray(places), np.asarray(means), SECOND, 1.0)
        for place, readings in zip(places.tolist(), clampings, strict=True):
            chart.dots([place] * len(readings), readings, ACCENT, 1.4)
        chart.dots(places.tolist(), means, INK, 1.1, ring=True)
    chart.labels([label for label, _ in values])
    legend = (("dot", tongue.say("one reading")), ("ring", tongue.say("mean of a clamping")))
    alt = f"{name}: {len(values)} units, from {number(low, 4)} to {number(high, 4)} {unit}."
    return Plot(name, chart.svg(), alt, tongue.say(name), legend, WIDE_MM)
