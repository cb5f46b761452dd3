"""A small SVG chart: one pair of axes at fixed margins, lines, bands, dots and words, in the reports' one style.

It knows no measurement: numbers and words in, SVG text out, byte for byte the same each time. Lengths in points on the
page (72 an inch); text stays text, set by the page in its own typeface. Own code because loading a general plotting
library costs more than the whole report. SVG 1.1 (W3C), paths, rects, circles and text only.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from html import escape

import numpy as np
from numpy.typing import NDArray

from rig.certificate.words.wording import number

FAMILY = "IBM Plex Sans"  # SIL OFL, from its own package; never the system's fonts
Floats = NDArray[np.float64]
INK, MUTED, RULE, ACCENT, SECOND = "#16202a", "#5d6873", "#c9d0d6", "#1d5468", "#a8642a"
PT = 72.0 / 25.4
SIZE = 7.5
LEFT_MM, BOTTOM_MM, TOP_MM = 13.0, 10.0, 2.0


class Chart:
    """Axes of width_mm x height_mm; limits are set at once, everything is drawn in data units afterwards.

    right_mm: room for a second scale. square: equal width and height of the plot's field, centred. write: the tick
    numbers in the page's language.
    """

    def __init__(
        self,
        width_mm: float,
        height_mm: float,
        *,
        x: tuple[float, float],
        y: tuple[float, float],
        right_mm: float = 2.0,
        square: bool = False,
        write: Callable[[str], str] = str,
    ) -> None:
        self.width, self.height = width_mm * PT, height_mm * PT
        wide, high, left = width_mm - LEFT_MM - right_mm, height_mm - BOTTOM_MM - TOP_MM, LEFT_MM
        if square:
            left, wide = left + (wide - high) / 2.0, high
        self.left, self.right = left * PT, (left + wide) * PT
        self.top, self.bottom = TOP_MM * PT, (TOP_MM + high) * PT
        self.x, self.y = x, y
        self._write = write
        self._parts: list[str] = []

    # ---- places ---------------------------------------------------------------------------------------------

    def at_x(self, value: float) -> float:
        """Where a value of the x axis lies, in points from the left."""
        return self.left + (value - self.x[0]) / (self.x[1] - self.x[0]) * (self.right - self.left)

    def at_y(self, value: float) -> float:
        """Where a value of the y axis lies, in points from the top."""
        return self.bottom - (value - self.y[0]) / (self.y[1] - self.y[0]) * (self.bottom - self.top)

    # ---- marks ----------------------------------------------------------------------------------------------

    def line(self, x: Floats, y: Floats, color: str, width: float, dash: Sequence[float] = ()) -> None:
        """A line through the points; a gap where a value is not finite."""
        self._path(self._walk(x, y), color, width, dash)

    def band(self, x: Floats, low: Floats, high: Floats, color: str, opacity: float) -> None:
        """A filled band between two curves over the same x, over the finite points."""
        finite = np.isfinite(low) & np.isfinite(high)
        if finite.sum() < 2:
            return
        there = self._walk(x[finite], low[finite])
        back = self._walk(x[finite][::-1], high[finite][::-1]).replace("M", "L", 1)
        self._parts.append(f'<path d="{there}{back}Z" fill="{color}" fill-opacity="{opacity:g}"/>')

    def across(self, value: float, color: str, width: float, dash: Sequence[float] = ()) -> None:
        """A level line over the whole field at a y value."""
        y = self.at_y(value)
        self._path(f"M{self.left:.2f} {y:.2f}H{self.right:.2f}", color, width, dash)

    def upright(self, value: float, color: str, width: float, dash: Sequence[float] = ()) -> None:
        """An upright line over the whole field at an x value."""
        self._path(f"M{self.at_x(value):.2f} {self.bottom:.2f}V{self.top:.2f}", color, width, dash)

    def stem(self, x: float, y: float, color: str, width: float, start: float = 0.0) -> None:
        """An upright line between two y values at one x."""
        self._path(f"M{self.at_x(x):.2f} {self.at_y(start):.2f}V{self.at_y(y):.2f}", color, width)

    def dots(self, x: Iterable[float], y: Iterable[float], color: str, radius: float, *, ring: bool = False) -> None:
        """A dot a point, or a white ring."""
        look = f'fill="white" stroke="{color}" stroke-width="0.8"' if ring else f'fill="{color}"'
        for a, b in zip(x, y, strict=True):
            if math.isfinite(a) and math.isfinite(b):
                self._parts.append(f'<circle cx="{self.at_x(a):.2f}" cy="{self.at_y(b):.2f}" r="{radius:g}" {look}/>')

    def note(self, words: str, x: float, y: float, *, anchor: str = "end", above: float = 2.5) -> None:
        """Words beside a place in data units."""
        self._text(words, self.at_x(x), self.at_y(y) - above, anchor=anchor, size=7.0)

    # ---- axes -----------------------------------------------------------------------------------------------

    def x_axis(self, label: str, ticks: Sequence[float]) -> None:
        """The lower axis: line, ticks with numbers, label."""
        self._path(f"M{self.left:.2f} {self.bottom:.2f}H{self.right:.2f}", MUTED, 0.5)
        for tick in ticks:
            x = self.at_x(tick)
            self._path(f"M{x:.2f} {self.bottom:.2f}v2.5", MUTED, 0.5)
            self._text(self._write(number(tick, 4)), x, self.bottom + 10.0, anchor="middle")
        self._text(label, (self.left + self.right) / 2.0, self.bottom + 7.0 * PT + 2.6, anchor="middle")

    def labels(self, words: Sequence[str]) -> None:
        """The lower axis with words under the places 1, 2, 3 ... in place of numbers; only as many as fit."""
        self._path(f"M{self.left:.2f} {self.bottom:.2f}H{self.right:.2f}", MUTED, 0.5)
        step = max(1, math.ceil(len(words) * 4.2 * max(map(len, words), default=1) / (self.right - self.left)))
        for n, text in enumerate(words, start=1):
            x = self.at_x(n)
            self._path(f"M{x:.2f} {self.bottom:.2f}v2.5", MUTED, 0.5)
            if (len(words) - n) % step == 0:
                self._text(text, x, self.bottom + 10.0, anchor="middle", size=7.0)

    def y_axis(self, label: str, *, grid: bool = True) -> None:
        """The left axis: line, round ticks with numbers, label upright; grid lines lie under what is drawn later."""
        self._path(f"M{self.left:.2f} {self.bottom:.2f}V{self.top:.2f}", MUTED, 0.5)
        for tick in round_ticks(*self.y):
            y = self.at_y(tick)
            if grid:
                self._path(f"M{self.left:.2f} {y:.2f}H{self.right:.2f}", RULE, 0.4)
            self._path(f"M{self.left:.2f} {y:.2f}h-2.5", MUTED, 0.5)
            self._text(self._write(number(tick, 4)), self.left - 4.5, y + 2.6, anchor="end")
        self._upright_text(label, self.left - 10.0 * PT + 2.0)

    def right_scale(self, factor: float, label: str) -> None:
        """The y axis in other units on the right: shown = factor x value."""
        for tick in round_ticks(factor * self.y[0], factor * self.y[1]):
            y = self.at_y(tick / factor)
            self._path(f"M{self.right:.2f} {y:.2f}h2.5", MUTED, 0.5)
            self._text(self._write(number(tick, 3)), self.right + 4.5, y + 2.6, anchor="start")
        self._upright_text(label, self.right + 29.0)

    def svg(self) -> str:
        """The whole picture."""
        size = (
            f'width="{self.width:.2f}pt" height="{self.height:.2f}pt" viewBox="0 0 {self.width:.2f} {self.height:.2f}"'
        )
        style = f'font-family="{FAMILY}" font-size="{SIZE}" fill="{INK}" stroke-linecap="round" stroke-linejoin="round"'
        return f'<svg xmlns="http://www.w3.org/2000/svg" {size}><g {style}>{"".join(self._parts)}</g></svg>\n'

    # ---- below ----------------------------------------------------------------------------------------------

    def _walk(self, x: Floats, y: Floats) -> str:
        """Path commands through the finite points, a new start after each gap."""
        scale_x, scale_y = self.right - self.left, self.bottom - self.top
        px = self.left + (x - self.x[0]) / (self.x[1] - self.x[0]) * scale_x
        py = self.bottom - (y - self.y[0]) / (self.y[1] - self.y[0]) * scale_y
        whole = np.isfinite(px) & np.isfinite(py)
        steps, pen = [], "M"
        for a, b, there in zip(px.tolist(), py.tolist(), whole.tolist(), strict=True):
            if there:
                steps.append(f"{pen}{a:.2f} {b:.2f}")
            pen = "L" if there else "M"
        return "".join(steps)

    def _path(self, d: str, color: str, width: float, dash: Sequence[float] = ()) -> None:
        if d:
            dashes = f' stroke-dasharray="{",".join(f"{width * n:.2f}" for n in dash)}"' if dash else ""
            self._parts.append(f'<path d="{d}" fill="none" stroke="{color}" stroke-width="{width:g}"{dashes}/>')

    def _text(self, words: str, x: float, y: float, *, anchor: str, size: float = SIZE) -> None:
        look = "" if size == SIZE else f' font-size="{size:g}"'
        self._parts.append(f'<text x="{x:.2f}" y="{y:.2f}" text-anchor="{anchor}"{look}>{escape(words)}</text>')

    def _upright_text(self, words: str, x: float) -> None:
        y = (self.top + self.bottom) / 2.0
        self._parts.append(
            f'<text transform="translate({x:.2f} {y:.2f}) rotate(-90)" text-anchor="middle">{escape(words)}</text>'
        )


def round_ticks(low: float, high: float, about: int = 6) -> list[float]:
    """Round places (1, 2 or 5 times a power of ten apart) within low to high, `about` of them at most."""
    if not high > low:
        return [low]
    rough = (high - low) / about
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * n for n in (1.0, 2.0, 5.0, 10.0) if power * n >= rough * (1 - 1e-12))
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [n * step for n in range(first, last + 1)]
