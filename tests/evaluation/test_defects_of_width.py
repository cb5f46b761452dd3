"""An uncertainty that is absurdly wide is noticed: one changed operator in the hand-turned evaluation."""

from __future__ import annotations

import types
from pathlib import Path

import pytest
from coverage_table import fault, table
from drawn_hand import one_by_hand

from rig.evaluation import evaluated
from rig.evaluation.by_hand import turn as hand_turned

SEEDS = range(10_000, 10_004)


def test_one_changed_operator_in_the_width_of_a_phase_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """`0.1 * opened.u` changed to `0.1 / opened.u` states a phase difference to 10^5 degrees: the trial of rotors
    turned by hand calls the line too wide after four of them, and not one line so as the code stands."""
    whole = [row for seed in SEEDS for row in one_by_hand(seed)]
    assert all(fault(row) != "too wide" for row in table(whole) if row.measurand == "phase_difference_deg")
    source = Path(hand_turned.__file__).read_text(encoding="utf-8")
    assert "0.1 * opened.u" in source
    changed = types.ModuleType("changed")
    changed.__dict__["__name__"] = hand_turned.__name__
    exec(compile(source.replace("0.1 * opened.u", "0.1 / opened.u"), "changed", "exec"), changed.__dict__)
    monkeypatch.setattr(evaluated, "hand_results", changed.hand_results)
    rows = [row for seed in SEEDS for row in one_by_hand(seed)]
    short = {row.measurand: fault(row) for row in table(rows)}
    assert short["phase_difference_deg"] == "too wide"
    assert short["tr_imbalance"] == "too wide"
