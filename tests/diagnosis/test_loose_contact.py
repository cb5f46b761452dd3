"""A contact that comes and goes: the coil's where its own figures tell it, nobody's yet where only the sweep does."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import pytest
from observed_from_world import full_test

from rig.evaluation.evaluated import evaluate
from rig.evaluation.inspection.inspection import Inspection
from rig.observed import Observed
from rig.review.judge import judge


@dataclass
class WithoutImpedance:
    """A run's captures, those with the sine coil driven left out."""

    all: Any

    def series(self) -> tuple[str, ...]:
        return tuple(name for name in self.all.series() if name != "impedance_sin")

    def stack(self, series: str) -> Any:
        return self.all.stack(series)


def loose(coil: str, open_ohm: float = 1e9, every_s: float = 1.7, open_s: float = 0.6) -> Observed:
    faults: dict[str, Any] = {
        f"intermittent_{coil}_ohm": open_ohm,
        "intermittent_s": [[0.4, 0.4 + open_s]],
        "intermittent_every_s": every_s,
    }
    return full_test({"seed": 5, "part": {"faults": faults}})


@pytest.mark.parametrize("coil", ["exc", "cos"])
def test_a_coil_that_opens_at_times_is_the_parts_and_comes_first(coil: str) -> None:
    """Outside limits, nothing unsound: its resistance or its own current is the witness."""
    found = judge(loose(coil))
    assert found.outcome == "outside limits" and not found.reasons
    assert found.findings[0].code == "intermittent-coil" and "gone in" in found.findings[0].evidence


def test_where_only_the_sweep_tells_nobody_is_blamed() -> None:
    """The same run with steady resistances and currents: unsound, with the hunt as next action."""
    seen, steady = loose("sin"), full_test({"seed": 5})
    rows = [r for r in seen.readings if r.quantity not in ("coil_resistance", "pair_resistance")]
    rows += [r for r in steady.readings if r.quantity in ("coil_resistance", "pair_resistance")]
    mixed = replace(seen, readings=tuple(rows), captures=WithoutImpedance(seen.captures))
    (one,) = Inspection(evaluate(mixed)).loose_contacts.values()
    assert one.by_sweep and not one.has_own_evidence
    found = judge(mixed)
    assert found.outcome == "unsound measurement"
    (reason,) = [r for r in found.reasons if r.code == "point-disturbed"]
    assert "watch sin --ac" in reason.next and not [f for f in found.findings if f.code == "loose-rotor"]


@pytest.mark.parametrize(
    "world",
    [
        {},
        {"part": {"faults": {"weak_lobe": 2, "weak_lobe_fraction": 1.0}}},
        {"part": {"faults": {"rotor_slip_deg_per_turn": 4.0}}},
        {"axis": {"lost_at_deg": 120.0, "lost_deg": 7.2}},
        {"axis": {"backlash_arcmin": 40.0}},
        {"part": {"faults": {"open": "sin"}}},
        {"sampler": {"silent_channel": "cos"}},
    ],
    ids=["good", "weak lobe", "loose rotor", "lost steps", "play", "open", "silent channel"],
)
def test_rotor_axis_and_what_is_always_open_come_and_go_not(world: dict[str, Any]) -> None:
    assert Inspection(evaluate(full_test({"seed": 5, **world}))).loose_contacts == {}


def test_another_parts_rotor_changes_the_current_and_opens_nothing() -> None:
    """Eight lobes on a four-pole-pair part: the coil's inductance goes up and down with the turn, both times."""
    assert Inspection(evaluate(full_test({"seed": 5, "part": {"lobes": 8}}))).loose_contacts == {}
