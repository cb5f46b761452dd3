"""What five reference runs state: a figure that moves by a hundredth, or an influence by a fiftieth, is noticed."""

from __future__ import annotations

import json
from typing import Any

import pytest
from reference_figures import FILE, RUNS, figures

from rig.evaluation.evaluated import evaluate

ANEW = "if this is meant: python tests/evaluation/reference_figures.py --write"


def apart(name: str, found: dict[str, Any], known: dict[str, Any]) -> list[str]:
    """What is no longer as it was: estimates by a fiftieth of U, U and dof by 1 and 5 %, influences by 2 %."""
    told = []
    U = known["U"] or abs(known["estimate"]) or 1.0
    if abs(found["estimate"] - known["estimate"]) > 0.02 * U or found["qualifier"] != known["qualifier"]:
        told.append(f"{name}: {found['qualifier']}{found['estimate']}, was {known['qualifier']}{known['estimate']}")
    for key, share in (("U", 0.01), ("dof", 0.05)):
        if (found[key] is None) != (known[key] is None) or abs((found[key] or 0) - (known[key] or 0)) > share * abs(
            known[key] or 0
        ):
            told.append(f"{name}: {key} {found[key]}, was {known[key]}")
    for line in {*found["influences"], *known["influences"]}:
        now, was = found["influences"].get(line, 0.0), known["influences"].get(line, 0.0)
        if abs(now - was) > 0.02 * max(now, was) and max(now, was) > 0.11 * U / 2.0:
            told.append(f"{name}: {line} {now}, was {was}")
    return told


@pytest.mark.parametrize("run", list(RUNS))
def test_a_reference_run_states_the_figures_that_are_kept(run: str) -> None:
    """Every line with its uncertainty, its degrees of freedom and the influences that make it up."""
    known = json.loads(FILE.read_text(encoding="utf-8"))[run]
    found = figures(evaluate(RUNS[run]()).results)
    assert sorted(found) == sorted(known), ANEW
    told = [text for name in known for text in apart(name, found[name], known[name])]
    assert not told, f"{ANEW}: {told}"
