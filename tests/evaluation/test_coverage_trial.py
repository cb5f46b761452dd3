"""The coverage trial's own ground: its fast captures are the world's, its draws are what the bench file states."""

from __future__ import annotations

import math

import numpy as np
import pytest
from coverage_table import Outcome, Row, fault, table
from coverage_trial import one
from drawn_hand import one_by_hand
from drawn_rig import drawn, order_amplitude
from observed_from_world import Rehearsal
from still_captures import StillWorld

from drivers.simulated.world.world import World

SEED = 3  # drawn without an encoder


def quiet(seed: int = SEED) -> StillWorld:
    """A drawn world without noise."""
    file = drawn(seed).file
    return StillWorld(file.model_copy(update={"sampler": file.sampler.model_copy(update={"noise_v": 0.0})}), 1)


def excited(world: World) -> float:
    """The part connected and excited as in a sweep; the time at which that is so."""
    rehearsal = Rehearsal(world.file)
    rehearsal.world = world
    rehearsal._connected()
    rehearsal.source(True, 7.0)
    return rehearsal.t_s


def test_captures_made_together_are_those_of_the_world() -> None:
    """Codes of a resting rotor, made many at a time, are those of one capture after the other, to the last code."""
    world = quiet()
    t_s = excited(world)
    times, angles, single = [], [], []
    for i in range(4):
        t_s = world.axis_move(t_s, 700.0 * i, 3200.0, 20_000.0) + 0.1
        times.append(t_s)
        angles.append(float(world.angle_mech_rad(np.array([t_s]))[0]))
        single.append(world.sample(t_s, rate_hz=241_545.9, n=400, ranges_v=(10.0,) * 4))
    together = world.sample_still(np.array(times), np.array(angles), rate_hz=241_545.9, n=400, range_v=10.0)
    assert np.max(np.abs(together.astype(int) - np.array(single).astype(int))) <= 1
    assert np.mean(together != np.array(single)) < 1e-3
    assert world.true_level_v_rms == pytest.approx(7.0, rel=0.05)


def test_resting_positions_are_those_of_the_axis() -> None:
    """Where the rotor rests after a move, from either side: play, cyclic error and index as the axis has them."""
    world = quiet()
    t_s = world.axis_index(0.0) + 0.2
    at = 0.0
    for target in (37.0, 1613.0, 3200.0, 2000.0, 11.0, -640.0, 5.0):
        t_s = world.axis_move(t_s, target, 3200.0, 20_000.0) + 0.3
        true = float(world.angle_mech_rad(np.array([t_s]))[0])
        assert world.resting_mech_rad(target, target > at) == pytest.approx(true, abs=1e-9)
        at = target


def test_a_drawn_order_is_even_in_each_component() -> None:
    """Amplitude a sqrt(1 - z^2) at an even phase: each component's variance is a^2 / 3, and it is never beyond a."""
    rng = np.random.default_rng(1)
    amplitude = np.array([order_amplitude(rng, 2.0) for _ in range(20_000)])
    component = amplitude * np.cos(rng.uniform(0.0, 2 * math.pi, amplitude.size))
    assert np.var(component) == pytest.approx(4.0 / 3.0, rel=0.03)
    assert np.max(np.abs(component)) <= 2.0
    assert np.quantile(np.abs(component), 0.5) == pytest.approx(1.0, rel=0.03)


def test_stated_intervals_hold_the_truth() -> None:
    """Over a few worlds about one interval in twenty misses, and no line misses twice in three."""
    rows = [row for seed in range(20_000, 20_003) for row in one(seed)]
    assert len(rows) > 120
    assert np.mean([abs(row.error) <= row.U for row in rows]) > 0.9
    assert all(row.share > 0.5 for row in table(rows) if row.n == 3)


def test_a_rig_worse_than_stated_is_found_out() -> None:
    """A divider off by twenty of its standard uncertainties: level and ratio miss at once."""
    rows = one(1, {"sampler": {"exc_divider": 0.505}})
    missed = {row.measurand for row in rows if abs(row.error) > row.U}
    assert {"v_exc_rms", "tr_sin", "tr_cos"} <= missed
    assert "tr_imbalance" not in missed


def test_turned_by_hand_the_ellipse_is_covered() -> None:
    """Ratio, imbalance, orthogonality and centre of a drawn part in a drawn hand."""
    wanted = {"tr_sin", "tr_cos", "tr_imbalance", "orthogonality_elec_deg", "centre_sin", "centre_cos"}
    rows = [row for row in one_by_hand(7) if row.measurand in wanted]
    assert len(rows) == len(wanted)
    assert sum(abs(row.error) > row.U for row in rows) <= 1


def made(ratio: list[float], bounded: str = "") -> Row:
    """A row of these ratios of error to U."""
    return Row(measurand="tr_sin", ratio=tuple(sorted(ratio)), u_median=1.0, bounded=bounded, largest="noise")


def test_the_table_counts_what_it_says() -> None:
    """Share, median U and q; the one bounded influence that rules a line is named."""
    rows = [
        Outcome(seed=i, measurand="tr_sin", error=0.01 * i, U=0.9, bounded_share=0.8, bounded="axis", largest="axis")
        for i in range(101)
    ]
    (row,) = table(rows)
    assert (row.n, row.share, row.u_median, row.bounded) == (101, 91 / 101, 0.9, "axis")
    assert row.q == pytest.approx(0.9545 / 0.9)


@pytest.mark.parametrize(
    ("scale", "bounded", "said"),
    [
        (1.0, "", ""),
        (0.8, "", "covers too little"),
        (1.25, "", "covers too much"),
        (1.25, "shunt", ""),
        (1.6, "shunt", "too wide"),
        (1e6, "", "covers too much"),
    ],
)
def test_a_line_is_bounded_from_both_sides(scale: float, bounded: str, said: str) -> None:
    """U right, a fifth too small, a quarter too wide (allowed where one bounded influence rules), and absurd."""
    ratio = np.abs(np.random.default_rng(4).standard_normal(2000)) / 2.0 / scale
    assert fault(made(ratio.tolist(), bounded)) == said


@pytest.mark.parametrize(("scale", "said"), [(1.0, ""), (0.5, "covers too little"), (1e6, "too wide")])
def test_a_row_of_few_intervals_still_shows_a_gross_fault(scale: float, said: str) -> None:
    """Twelve intervals (the quick shows) tell an absurd U and one that is half of what is needed."""
    ratio = np.abs(np.random.default_rng(8).standard_normal(12)) / 2.0 / scale
    assert fault(made(ratio.tolist())) == said
