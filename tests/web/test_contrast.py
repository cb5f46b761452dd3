"""The colours of the style sheet against WCAG 2.2: text 4.5, edges of controls 3.0, in both themes."""

import re
from pathlib import Path

import pytest

SHEET = Path(__file__).parents[2] / "rig" / "web" / "static" / "panel.css"
TEXT = ("ink", "muted", "petrol", "rust", "pass", "fail", "open", "plain")


def _themes() -> dict[str, dict[str, str]]:
    blocks = re.findall(r"([^{}]*)\{([^{}]*--ground:[^{}]*)\}", SHEET.read_text())
    found = [dict(re.findall(r"--([\w-]+):\s*(#[0-9a-f]{6})", block)) for _, block in blocks]
    return {"light": found[0], "dark, as the device says": found[1], "dark, chosen": found[2]}


def _luminance(colour: str) -> float:
    def linear(part: str) -> float:
        value = int(part, 16) / 255.0
        return value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4

    red, green, blue = (linear(colour[i : i + 2]) for i in (1, 3, 5))
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """WCAG 2.2, 1.4.3: (L1 + 0.05) / (L2 + 0.05)."""
    high, low = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_the_measure_is_right() -> None:
    """Black on white is 21, a colour on itself 1."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#1d5468", "#1d5468") == 1.0


@pytest.mark.parametrize("theme", ["light", "dark, as the device says", "dark, chosen"])
def test_every_text_and_every_edge_can_be_seen(theme: str) -> None:
    """On sheet and ground; text on petrol; what stands on the caution's tint."""
    colours = _themes()[theme]
    for name in TEXT:
        for under in ("sheet", "ground"):
            assert contrast(colours[name], colours[under]) >= 4.5, (name, under)
    for name in ("ink", "muted", "open"):
        assert contrast(colours[name], colours["open-tint"]) >= 4.5, name
    for under in ("sheet", "ground"):
        assert contrast(colours["edge"], colours[under]) >= 3.0
    assert contrast(colours["on-petrol"], colours["petrol"]) >= 4.5
    assert contrast(colours["ink"], colours["accept"]) >= 4.5


def test_both_ways_to_the_dark_theme_are_the_same() -> None:
    """The device's and the chosen one."""
    themes = _themes()
    assert themes["dark, as the device says"] == themes["dark, chosen"]
