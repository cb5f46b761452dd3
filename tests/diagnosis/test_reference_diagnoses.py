"""What is said of twenty-one reference worlds: codes, lines spoiled, probabilities and the figures in the evidence."""

from __future__ import annotations

import json
from typing import Any

import pytest
from reference_diagnoses import FILE, WORLDS, said_of

ANEW = "if this is meant: python tests/diagnosis/reference_diagnoses.py --write"


def like(found: Any, known: Any) -> Any:
    """`found` with every number that is near the known one put to it: 2 % of a figure, 0.02 of a probability."""
    if isinstance(known, dict) and isinstance(found, dict):
        return {key: like(value, known.get(key)) for key, value in found.items()}
    if isinstance(known, list) and isinstance(found, list) and len(known) == len(found):
        return [like(a, b) for a, b in zip(found, known, strict=True)]
    if isinstance(known, float) and isinstance(found, float):
        return known if abs(found - known) <= 0.02 * max(1.0, abs(known)) else found
    return found


@pytest.mark.parametrize("world", list(WORLDS))
def test_a_reference_world_is_explained_by_the_figures_that_are_kept(world: str) -> None:
    """Reasons and findings in their order, each with its figures."""
    known = json.loads(FILE.read_text(encoding="utf-8"))[world]
    assert like(said_of(world), known) == known, ANEW
