"""Near a limit no rule passes more parts than the risk that it states; a U that is too small is found out."""

from __future__ import annotations

import math
import sys
from pathlib import Path

import numpy as np
import pytest

from rig.uncertainty.conformity import Verdict, verdict_of, worst_specific_risk

sys.path.insert(0, str(Path(__file__).parents[1] / "shows" / "metrology_parts"))

from decisions import RULES, U_TRUE, allowed_share, row


@pytest.mark.parametrize("rule", RULES)
def test_no_rule_passes_more_than_it_states(rule: str) -> None:
    """2000 parts at the limit and 2000 beyond it: wrong passes stay within the stated risk, at any dof."""
    for side, dof in (("upper", math.inf), ("both", 8.0)):
        assert row(rule, side, dof, 2000, np.random.default_rng(7)).kept


def test_an_understated_uncertainty_shows() -> None:
    """With half of the true U the same count lies far beyond what the rule states."""
    rng = np.random.default_rng(1)
    wrong = np.mean(
        [verdict_of(10 + U_TRUE * rng.standard_normal(), U_TRUE, None, 10.0, 1.0) is Verdict.PASS for _ in range(2000)]
    )
    assert wrong > 4 * allowed_share(worst_specific_risk(1.0, 2.0), 2000)
