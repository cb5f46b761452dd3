"""Shows and benches are run by hand: that what they take from the house is still there is held here."""

from __future__ import annotations

import ast
import importlib
from pathlib import Path
from types import ModuleType

import pytest

TESTS = Path(__file__).parents[1]
FILES = sorted([*TESTS.glob("bench/*.py"), *TESTS.glob("shows/**/*.py")])
HOUSE = ("rig", "drivers", "sequences")


def missing(source: str) -> list[str]:
    """Names that a source takes from the house, at any depth, and that are not there."""
    tree = ast.parse(source)
    modules, lost = {}, []
    for node in ast.walk(tree):
        if not isinstance(node, ast.ImportFrom) or (node.module or "").partition(".")[0] not in HOUSE:
            continue
        parent = importlib.import_module(node.module or "")
        for name in node.names:
            if not hasattr(parent, name.name):
                try:
                    importlib.import_module(f"{node.module}.{name.name}")
                except ModuleNotFoundError:
                    lost.append(f"{node.module}.{name.name}")
                    continue
            if isinstance(there := getattr(parent, name.name), ModuleType):
                modules[name.asname or name.name] = there
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id in modules:
            of = modules[node.value.id]
            if not hasattr(of, node.attr):
                lost.append(f"{of.__name__}.{node.attr}")
    return lost


@pytest.mark.parametrize("file", FILES, ids=lambda file: str(file.relative_to(TESTS)))
def test_what_is_taken_from_the_house_is_there(file: Path) -> None:
    assert missing(file.read_text(encoding="utf-8")) == []


def test_a_name_that_is_gone_is_told() -> None:
    source = "from rig.signal import sine_fit\nfrom rig.errors import Gone\nsine_fit.gone_too()\nsine_fit.phasors\n"
    assert FILES
    assert sorted(missing(source)) == ["rig.errors.Gone", "rig.signal.sine_fit.gone_too"]
