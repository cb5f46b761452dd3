"""The plots of a report: angle error with band and limits, its orders, sine against cosine, envelopes; SVG, one style.

Each plot is (name, SVG text, alternative text), drawn only when its curve keys are there (rig/evaluation/angle.py
`_curves`). Text stays text and is set by the page in the page's typeface. Angles: mechanical along x; errors electrical
on the left, mechanical on the right. It judges nothing. matplotlib is loaded late: it takes a third of a second.
"""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from rig.certificate.fonts import FAMILY, font_files
from rig.certificate.wording import number

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK, MUTED, RULE, ZONE, ACCENT, SECOND = "#16202a", "#5d6873", "#c9d0d6", "#eef1f3", "#1d5468", "#a8642a"
MM = 1.0 / 25.4
WIDE_MM, HALF_MM = 174.0, 84.0
STYLE: Any = {
    "font.family": FAMILY,
    "font.size": 7.5,
    "svg.fonttype": "none",
    "svg.hashsalt": "anglewright",
    "axes.edgecolor": MUTED,
    "axes.linewidth": 0.5,
    "axes.labelcolor": INK,
    "axes.labelsize": 7.5,
    "axes.unicode_minus": True,
    "xtick.color": MUTED,
    "ytick.color": MUTED,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "xtick.major.width": 0.5,
    "ytick.major.width": 0.5,
    "xtick.major.size": 2.5,
    "ytick.major.size": 2.5,
    "grid.color": RULE,
    "grid.linewidth": 0.4,
    "lines.solid_capstyle": "round",
}
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Plot:
    """alt: what it shows, in words. legend: (kind of stroke, words), set by the page. width_mm: as it is placed."""

    name: str
    svg: str
    alt: str
    caption: str
    legend: tuple[tuple[str, str], ...]
    width_mm: float


def plots(curves: Mapping[str, Any], pole_pairs: int, limit_elec_arcmin: float | None) -> tuple[Plot, ...]:
    """The plots that the curves allow; none for a run without a sweep."""
    makers: tuple[Callable[[], Plot | None], ...] = (
        lambda: error_plot(curves, pole_pairs, limit_elec_arcmin),
        lambda: orders_plot(curves, pole_pairs),
        lambda: lissajous_plot(curves),
        lambda: envelope_plot(curves),
    )
    if not any(key in curves for key in ("angle_mech_deg", "orders", "envelope_sine")):
        return ()
    import matplotlib

    _register_fonts()
    with matplotlib.rc_context(STYLE):
        return tuple(plot for make in makers if (plot := make()) is not None)


def error_plot(curves: Mapping[str, Any], pole_pairs: int, limit_elec_arcmin: float | None) -> Plot | None:
    """Both passes as read thin, the error that is stated strong with its band, limits dashed.

    Stated is the fitted curve without the axis' own cyclic orders where there is one, else the mean of the passes.
    """
    x, mean = _curve(curves, "angle_mech_deg"), _curve(curves, "error_model_elec_arcmin")
    fitted = mean is not None
    if mean is None:
        mean = _curve(curves, "error_mean_elec_arcmin")
    if x is None or mean is None or x.size != mean.size:
        return None
    figure, ax = _axes(WIDE_MM, 60.0, right_mm=13.0)
    legend = [("strong", "angle error, the axis' own orders left out" if fitted else "both passes combined")]
    band = curves.get("error_band_elec_arcmin")
    if isinstance(band, int | float):
        ax.fill_between(x, mean - band, mean + band, color=ACCENT, alpha=0.16, linewidth=0)
        legend.append(("band", "± U of the largest error"))
    for key, label, kind in (
        ("error_ccw_elec_arcmin", "counter-clockwise", "thin"),
        ("error_cw_elec_arcmin", "clockwise", "thin dashed"),
    ):
        one = _curve(curves, key)
        if one is not None and one.size == x.size:
            ax.plot(x, one, color=MUTED, linewidth=0.55, linestyle="-" if kind == "thin" else (0, (2, 1.2)))
            legend.append((kind, f"{label}, as read"))
    ax.plot(x, mean, color=ACCENT, linewidth=1.1)
    reach = 1.15 * max(float(np.nanmax(np.abs(line.get_ydata()))) for line in ax.lines)
    reach = max(reach, 1.1 * float(np.nanmax(np.abs(mean)) + (band or 0.0)))
    if limit_elec_arcmin is not None:
        for sign in (1.0, -1.0):
            ax.axhline(sign * limit_elec_arcmin, color=INK, linewidth=0.8, linestyle=(0, (5, 2)))
        ax.annotate(
            f"limit ± {number(limit_elec_arcmin)}′ electrical",
            (358, limit_elec_arcmin),
            xytext=(0, 2.5),
            textcoords="offset points",
            ha="right",
            va="bottom",
            fontsize=7,
            color=INK,
        )
        reach = max(reach, 1.28 * limit_elec_arcmin)
    ax.axhline(0, color=MUTED, linewidth=0.5)
    ax.set_ylim(-reach, reach)
    _turn_axis(ax)
    ax.set_ylabel("error / ′ electrical")
    _other_scale(ax, 1 / pole_pairs, "error / ′ mechanical")
    peak = int(np.nanargmax(np.abs(mean)))
    alt = (
        f"Angle error over one mechanical turn, {x.size} points. Largest {number(float(mean[peak]), 3)} arcmin "
        f"electrical at {number(float(x[peak]), 4)} degrees mechanical."
    )
    caption = "Angle error: indicated less true, mean over the turn taken off (best-fit zero)"
    return Plot("error", _svg(figure), alt, caption, tuple(legend), WIDE_MM)


def orders_plot(curves: Mapping[str, Any], pole_pairs: int) -> Plot | None:
    """Amplitudes of the error's orders a mechanical turn; multiples of the pole pairs filled, others open."""
    orders, mech = _curve(curves, "orders"), _curve(curves, "orders_mech_arcmin")
    if orders is None or mech is None or orders.size != mech.size or not orders.size:
        return None
    kept = (orders > 0) & (orders <= max(8 * pole_pairs, 24))
    orders, mech = orders[kept], mech[kept]
    figure, ax = _axes(HALF_MM, 58.0, right_mm=12.0)
    own = np.mod(orders, pole_pairs) == 0
    ax.vlines(orders, 0, mech, color=np.where(own, ACCENT, MUTED).tolist(), linewidth=1.4)
    ax.plot(orders[own], mech[own], "o", color=ACCENT, markersize=3.4)
    ax.plot(orders[~own], mech[~own], "o", mfc="white", mec=MUTED, mew=0.8, markersize=3.4)
    top = 1.25 * float(mech.max()) if mech.size and mech.max() > 0 else 1.0
    ax.set_ylim(0, top)
    ax.set_xlim(0, float(orders.max()) + 1 if orders.size else 1)
    ax.set_xticks([n for n in range(int(orders.max(initial=1)) + 1) if n % (pole_pairs if pole_pairs > 1 else 2) == 0])
    ax.grid(axis="y")
    ax.set_xlabel("order a mechanical turn")
    ax.set_ylabel("amplitude / ′ mechanical")
    _other_scale(ax, float(pole_pairs), "amplitude / ′ electrical")
    alt = "Orders of the angle error: none."
    if mech.size:
        largest = int(np.argmax(mech))
        amplitude = number(float(mech[largest]), 3)
        alt = f"Orders of the angle error. Largest: order {orders[largest]:.0f} with {amplitude} arcmin mechanical."
    legend = (("dot", "multiple of the pole pairs"), ("ring", "other"))
    return Plot("orders", _svg(figure), alt, "Orders of the angle error, least squares", legend, HALF_MM)


def lissajous_plot(curves: Mapping[str, Any]) -> Plot | None:
    """Sine against cosine envelope, with the circle of their mean amplitude."""
    u, v = _curve(curves, "envelope_sine"), _curve(curves, "envelope_cosine")
    if u is None or v is None or u.size != v.size or not u.size:
        return None
    figure, ax = _axes(HALF_MM, 58.0, square=True)
    radius = float(np.sqrt(np.nanmean(u**2 + v**2)))
    around = np.linspace(0, 2 * np.pi, 181)
    ax.plot(radius * np.cos(around), radius * np.sin(around), color=MUTED, linewidth=0.6, linestyle=(0, (4, 2)))
    ax.plot(v, u, ".", color=ACCENT, markersize=1.8)
    for line in (ax.axhline, ax.axvline):
        line(0, color=RULE, linewidth=0.5)
    reach = 1.12 * float(np.nanmax(np.abs(np.concatenate([u, v]))))
    ax.set(xlim=(-reach, reach), ylim=(-reach, reach))
    ax.set_xlabel("cosine / excitation")
    ax.set_ylabel("sine / excitation")
    alt = f"Sine against cosine envelope: a circle of radius {number(radius, 4)} of the excitation, {u.size} points."
    legend = (("dot", "measured"), ("thin dashed", "circle of the mean amplitude"))
    return Plot("lissajous", _svg(figure), alt, "Sine against cosine", legend, HALF_MM)


def envelope_plot(curves: Mapping[str, Any]) -> Plot | None:
    """Signed envelopes over the turn."""
    x, u, v = (_curve(curves, key) for key in ("envelope_angle_mech_deg", "envelope_sine", "envelope_cosine"))
    if x is None or u is None or v is None or not x.size == u.size == v.size:
        return None
    figure, ax = _axes(WIDE_MM, 42.0, right_mm=13.0)
    ax.axhline(0, color=MUTED, linewidth=0.5)
    ax.plot(x, u, color=ACCENT, linewidth=1.0)
    ax.plot(x, v, color=SECOND, linewidth=1.0, linestyle=(0, (4, 1.5)))
    _turn_axis(ax)
    ax.set_ylabel("output / excitation")
    alt = f"Envelopes of sine and cosine over one mechanical turn, amplitude {number(float(np.nanmax(np.abs(u))), 4)}."
    legend = (("strong", "sine"), ("second", "cosine"))
    return Plot("envelopes", _svg(figure), alt, "Signed envelopes, each on its own carrier phase", legend, WIDE_MM)


def _curve(curves: Mapping[str, Any], key: str) -> Floats | None:
    values = curves.get(key)
    return None if values is None else np.asarray(values, dtype=np.float64)


def _axes(width_mm: float, height_mm: float, *, right_mm: float = 2.0, square: bool = False) -> tuple[Figure, Axes]:
    """One axes with fixed margins: measuring every label to find them would double the time of drawing."""
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_mm * MM, height_mm * MM))
    FigureCanvasSVG(figure)
    left, bottom, top = 13.0, 10.0, 2.0
    wide, high = width_mm - left - right_mm, height_mm - bottom - top
    if square:
        left, wide = left + (wide - high) / 2.0, high
    ax = figure.add_axes((left / width_mm, bottom / height_mm, wide / width_mm, high / height_mm))
    ax.spines[["top", "right"]].set_visible(False)
    ax.xaxis.set_label_coords(0.5, -7.0 / high)
    ax.yaxis.set_label_coords(-10.0 / wide, 0.5)
    return figure, ax


def _other_scale(ax: Axes, factor: float, label: str) -> None:
    """The y axis in other units on the right, as marks and words: a second Axis object takes five times as long."""
    low, high = (factor * end for end in ax.get_ylim())
    step = _round_step((high - low) / 5.0)
    shown = np.arange(math.ceil(low / step), math.floor(high / step) + 1) * step
    right = ax.get_yaxis_transform()
    ax.plot(
        np.ones(shown.size), shown / factor, marker=1, ms=2.5, mew=0.5, mec=MUTED, ls="", transform=right, clip_on=False
    )
    for value in shown.tolist():
        ax.annotate(
            number(value, 3),
            (1.0, value / factor),
            (4.5, 0),
            right,
            textcoords="offset points",
            va="center",
            fontsize=7.5,
        )
    middle = (low + high) / 2.0 / factor
    ax.annotate(
        label,
        (1.0, middle),
        (26, 0),
        right,
        textcoords="offset points",
        va="center",
        ha="center",
        rotation=90,
        color=INK,
    )


def _round_step(rough: float) -> float:
    """The 1, 2 or 5 times a power of ten that is next above."""
    power = 10.0 ** math.floor(math.log10(rough))
    return next(power * n for n in (1.0, 2.0, 5.0, 10.0) if power * n >= rough)


def _turn_axis(ax: Axes) -> None:
    ax.set_xlim(0, 360)
    ax.set_xticks(range(0, 361, 45))
    ax.set_xlabel("rotor angle / ° mechanical")
    ax.grid(axis="y")


def _svg(figure: Figure) -> str:
    out = io.StringIO()
    figure.savefig(out, format="svg", transparent=True, metadata={"Date": None, "Creator": None})
    return out.getvalue()


@cache
def _register_fonts() -> None:
    from matplotlib import font_manager

    for file in font_files():
        font_manager.fontManager.addfont(file)
