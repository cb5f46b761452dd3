"""Sheets stay small: at most twelve boxes, at most 300 lines a file. The counts are those of the house's show."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType

import pytest

SHOW = Path(__file__).parents[1] / "shows" / "house.py"
LONGER = {  # files that are being parted: they may not grow
    "rig/control/guard.py": 328,
}
FULLER: dict[str, int] = {}  # sheets that are being parted


@pytest.fixture(scope="module")
def house() -> ModuleType:
    spec = importlib.util.spec_from_file_location("house_show", SHOW)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_no_file_is_longer_than_300_lines(house: ModuleType) -> None:
    counts = house.line_counts()
    assert len(counts) > 100
    assert not {name: n for name, n in counts.items() if n > LONGER.get(name, house.MOST_LINES)}


def test_no_sheet_holds_more_than_twelve_boxes(house: ModuleType) -> None:
    counts = house.box_counts()
    assert len(counts) > 50
    crowded = {name: n for name, n in counts.items() if n > FULLER.get(name, house.MOST_BOXES)}
    assert not {name: n for name, n in crowded.items() if name not in house.FLAT}
    assert not [name for name in counts if name.count("/") > 3 and name not in house.FLAT]


def test_no_function_and_no_module_is_named_by_a_bare_participle(house: ModuleType) -> None:
    assert not house.bare_participles()
