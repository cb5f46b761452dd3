"""The plots of a report: angle error with band and limits, its orders, sine against cosine, envelopes.

Each plot is (name, SVG text, alternative text), drawn by chart.py only when its curve keys are there
(rig/evaluation/angle/error.py `_curves`). Angles: mechanical along x; errors electrical on the left,
mechanical on the right.
It judges nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from rig.certificate.page.chart import ACCENT, INK, MUTED, RULE, SECOND, Chart, Floats, round_ticks
from rig.certificate.words.language import Language, language
from rig.certificate.words.wording import number

WIDE_MM, HALF_MM = 174.0, 84.0
TURN_TICKS = tuple(range(0, 361, 45))
DASHED, DASHED_LONG, DASHED_LIMIT, DASHED_SECOND = (2.0, 1.2), (4.0, 2.0), (5.0, 2.0), (4.0, 1.5)


@dataclass(frozen=True, slots=True)
class Plot:
    """alt: what it shows, in words. legend: (kind of stroke, words), set by the page. width_mm: as it is placed."""

    name: str
    svg: str
    alt: str
    caption: str
    legend: tuple[tuple[str, str], ...]
    width_mm: float


@dataclass(frozen=True, slots=True)
class Manner:
    """How it is written: words in the page's language (`say`); small angles in arcmin times `factor`, unit `mark`."""

    tongue: Language
    factor: float
    mark: str
    unit: str

    def say(self, words: str) -> str:
        """The words in the page's language."""
        return self.tongue.say(words)


def plots(
    curves: Mapping[str, Any],
    pole_pairs: int,
    limit_elec_arcmin: float | None,
    angle: str = "arcmin",
    tongue: Language | None = None,
) -> tuple[Plot, ...]:
    """The plots that the curves allow; none for a run without a sweep. angle: "arcmin" or "deg", for small angles."""
    factor, mark = (1.0, "′") if angle == "arcmin" else (1.0 / 60.0, "°")
    manner = Manner(tongue or language("en"), factor, mark, angle)
    makers: tuple[Callable[[], Plot | None], ...] = (
        lambda: error_plot(curves, pole_pairs, limit_elec_arcmin, manner),
        lambda: orders_plot(curves, pole_pairs, manner),
        lambda: lissajous_plot(curves, manner),
        lambda: envelope_plot(curves, manner),
    )
    return tuple(plot for make in makers if (plot := make()) is not None)


def error_plot(curves: Mapping[str, Any], pole_pairs: int, limit_elec_arcmin: float | None, to: Manner) -> Plot | None:
    """Both passes as read thin, the error that is stated strong with its band, limits dashed.

    Stated is the fitted curve without the axis' own cyclic orders where there is one, else the mean of the passes.
    """
    x, mean = _curve(curves, "angle_mech_deg"), _curve(curves, "error_model_elec_arcmin", to.factor)
    fitted = mean is not None
    if mean is None:
        mean = _curve(curves, "error_mean_elec_arcmin", to.factor)
    if x is None or mean is None or x.size != mean.size or not np.isfinite(mean).any():
        return None
    stated = to.say("angle error, the axis' own orders left out" if fitted else "both passes combined")
    legend = [("strong", stated)]
    given = curves.get("error_band_elec_arcmin")
    band = to.factor * given if isinstance(given, int | float) else None
    limit = None if limit_elec_arcmin is None else to.factor * limit_elec_arcmin
    passes = []
    for key, label, kind in (
        ("error_ccw_elec_arcmin", "counter-clockwise", "thin"),
        ("error_cw_elec_arcmin", "clockwise", "thin dashed"),
    ):
        one = _curve(curves, key, to.factor)
        if one is not None and one.size == x.size and np.isfinite(one).any():
            passes.append((one, DASHED if "dashed" in kind else ()))
            legend.append((kind, to.say(f"{label}, as read")))
    if band is not None:
        legend.insert(1, ("band", to.say("± U of the largest error")))
    reach = 1.15 * max(float(np.nanmax(np.abs(one))) for one in (mean, *(curve for curve, _ in passes)))
    reach = max(reach, 1.1 * (float(np.nanmax(np.abs(mean))) + (band or 0.0)), 1.28 * (limit or 0.0), 1e-6)
    chart = Chart(WIDE_MM, 60.0, x=(0.0, 360.0), y=(-reach, reach), right_mm=13.0, write=to.tongue.figures)
    chart.y_axis(to.say(f"error / {to.mark} electrical"))
    chart.across(0.0, MUTED, 0.5)
    if band is not None:
        chart.band(x, mean - band, mean + band, ACCENT, 0.16)
    for one, dash in passes:
        chart.line(x, one, MUTED, 0.55, dash)
    chart.line(x, mean, ACCENT, 1.1)
    if limit is not None:
        for sign in (1.0, -1.0):
            chart.across(sign * limit, INK, 0.8, DASHED_LIMIT)
        chart.note(to.say(f"limit ± {number(limit)}{to.mark} electrical"), 358.0, limit)
    chart.right_scale(1.0 / pole_pairs, to.say(f"error / {to.mark} mechanical"))
    chart.x_axis(to.say("rotor angle / ° mechanical"), TURN_TICKS)
    peak = int(np.nanargmax(np.abs(mean)))
    alt = (
        f"Angle error over one mechanical turn, {x.size} points. Largest {number(float(mean[peak]), 3)} {to.unit} "
        f"electrical at {number(float(x[peak]), 4)} degrees mechanical."
    )
    caption = "Angle error: indicated less true, mean over the turn taken off (best-fit zero)"
    return Plot("error", chart.svg(), to.say(alt), to.say(caption), tuple(legend), WIDE_MM)


def orders_plot(curves: Mapping[str, Any], pole_pairs: int, to: Manner) -> Plot | None:
    """Amplitudes of the error's orders a mechanical turn; multiples of the pole pairs filled, others open."""
    orders, mech = _curve(curves, "orders"), _curve(curves, "orders_mech_arcmin", to.factor)
    if orders is None or mech is None or orders.size != mech.size or not orders.size:
        return None
    kept = (orders > 0) & (orders <= max(8 * pole_pairs, 24)) & np.isfinite(mech)
    orders, mech = orders[kept], mech[kept]
    top = 1.25 * float(mech.max()) if mech.size and mech.max() > 0 else 1.0
    last = float(orders.max()) + 1.0 if orders.size else 1.0
    chart = Chart(HALF_MM, 58.0, x=(0.0, last), y=(0.0, top), right_mm=12.0, write=to.tongue.figures)
    chart.y_axis(to.say(f"amplitude / {to.mark} mechanical"))
    own = np.mod(orders, pole_pairs) == 0
    for order, amplitude, is_own in zip(orders.tolist(), mech.tolist(), own.tolist(), strict=True):
        chart.stem(order, amplitude, ACCENT if is_own else MUTED, 1.4)
    chart.dots(orders[own], mech[own], ACCENT, 1.7)
    chart.dots(orders[~own], mech[~own], MUTED, 1.5, ring=True)
    step = pole_pairs if pole_pairs > 1 else 2
    chart.x_axis(to.say("order a mechanical turn"), range(0, int(orders.max(initial=1)) + 1, step))
    chart.right_scale(float(pole_pairs), to.say(f"amplitude / {to.mark} electrical"))
    alt = "Orders of the angle error: none."
    if mech.size:
        largest = int(np.argmax(mech))
        amplitude = number(float(mech[largest]), 3)
        alt = f"Orders of the angle error. Largest: order {orders[largest]:.0f} with {amplitude} {to.unit} mechanical."
    legend = (("dot", to.say("multiple of the pole pairs")), ("ring", to.say("other")))
    caption = to.say("Orders of the angle error, least squares")
    return Plot("orders", chart.svg(), to.say(alt), caption, legend, HALF_MM)


def lissajous_plot(curves: Mapping[str, Any], to: Manner) -> Plot | None:
    """Sine against cosine envelope, with the circle of their mean amplitude."""
    u, v = _curve(curves, "envelope_sine"), _curve(curves, "envelope_cosine")
    if u is None or v is None or u.size != v.size or not np.isfinite(u * v).any():
        return None
    radius = float(np.sqrt(np.nanmean(u**2 + v**2)))
    reach = 1.12 * float(np.nanmax(np.abs(np.concatenate([u, v])))) or 1.0
    chart = Chart(HALF_MM, 58.0, x=(-reach, reach), y=(-reach, reach), square=True, write=to.tongue.figures)
    chart.y_axis(to.say("sine / excitation"), grid=False)
    chart.across(0.0, RULE, 0.5)
    chart.upright(0.0, RULE, 0.5)
    around = np.linspace(0.0, 2.0 * np.pi, 181)
    chart.line(radius * np.cos(around), radius * np.sin(around), MUTED, 0.6, DASHED_LONG)
    chart.dots(v, u, ACCENT, 0.6)
    chart.x_axis(to.say("cosine / excitation"), round_ticks(-reach, reach))
    alt = f"Sine against cosine envelope: a circle of radius {number(radius, 4)} of the excitation, {u.size} points."
    legend = (("dot", to.say("measured")), ("thin dashed", to.say("circle of the mean amplitude")))
    return Plot("lissajous", chart.svg(), to.say(alt), to.say("Sine against cosine"), legend, HALF_MM)


def envelope_plot(curves: Mapping[str, Any], to: Manner) -> Plot | None:
    """Signed envelopes over the turn."""
    x, u, v = (_curve(curves, key) for key in ("envelope_angle_mech_deg", "envelope_sine", "envelope_cosine"))
    if x is None or u is None or v is None or not x.size == u.size == v.size or not np.isfinite(u * v).any():
        return None
    reach = 1.1 * float(np.nanmax(np.abs(np.concatenate([u, v])))) or 1.0
    chart = Chart(WIDE_MM, 42.0, x=(0.0, 360.0), y=(-reach, reach), right_mm=13.0, write=to.tongue.figures)
    chart.y_axis(to.say("output / excitation"))
    chart.across(0.0, MUTED, 0.5)
    chart.line(x, u, ACCENT, 1.0)
    chart.line(x, v, SECOND, 1.0, DASHED_SECOND)
    chart.x_axis(to.say("rotor angle / ° mechanical"), TURN_TICKS)
    alt = f"Envelopes of sine and cosine over one mechanical turn, amplitude {number(float(np.nanmax(np.abs(u))), 4)}."
    legend = (("strong", to.say("sine")), ("second", to.say("cosine")))
    caption = to.say("Signed envelopes, each on its own carrier phase")
    return Plot("envelopes", chart.svg(), to.say(alt), caption, legend, WIDE_MM)


def _curve(curves: Mapping[str, Any], key: str, factor: float = 1.0) -> Floats | None:
    values = curves.get(key)
    return None if values is None else factor * np.asarray(values, dtype=np.float64)
