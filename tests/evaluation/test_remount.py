"""Several clampings of one part give the sensor's own curve and a correction of the axis for later runs."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from observed_from_world import Rehearsal, world_of

from drivers.simulated.world.axis import AxisPhysics
from rig.errors import UsageError
from rig.evaluation.angle.correction import ARCMIN, KEY, differences, from_data, reference_of_steps
from rig.evaluation.bench.remount import OFFSET, Remounting, compare_axes, separate_runs
from rig.evaluation.evaluated import evaluate
from rig.observed import Observed
from rig.resolver.axis.clampings import choose_offsets_mech_rad

POINTS = 160
PARTS = {4: ("KX4-2207", {}), 2: ("KX2-1184", {"pole_pairs": 2, "teeth": 8, "gap_scatter": 0.003})}
AXIS = {"backlash_arcmin": 0.3, "cyclic_50_arcmin": 4.0, "twice_arcmin": 1.2}


@cache
def clamped(pole_pairs: int, clampings: int, seed: int = 3, centring_mm: float = 0.01) -> tuple[Observed, ...]:
    """The runs of a set: loopback, excitation and both sweeps of each clamping, short captures."""
    asked = np.degrees(choose_offsets_mech_rad(clampings, pole_pairs)).tolist()
    name, keys = PARTS[pole_pairs]
    holder = {"angles_deg": asked, "centring_sigma_mm": centring_mm}
    world = world_of({"seed": seed, "holder": holder, "axis": AXIS, "part": keys})
    runs = []
    for number, offset in enumerate(asked, start=1):
        rehearsal = Rehearsal(world, number, name, points=POINTS)
        rehearsal.samples = 500
        rehearsal.read("manual", "manual", offset, "deg", name=OFFSET)
        runs.append(rehearsal.loopback(2).excite().sweep().observed())
    return tuple(runs)


@cache
def remounted(pole_pairs: int, clampings: int, seed: int = 3) -> Remounting:
    return separate_runs(clamped(pole_pairs, clampings, seed))


def axis_truth(seed: int = 3) -> dict[int, complex]:
    """order -> coefficient of the world's axis, mechanical rad."""
    physics = AxisPhysics(world_of({"axis": AXIS}).axis, seed, np.random.default_rng(0))
    return {n: a * complex(np.exp(1j * (phase - math.pi / 2))) for n, a, phase in physics._waves}


def under(obs: Observed, data: dict[str, Any]) -> Observed:
    """The same run with a correction in its header, agreed by a second part."""
    data = {**data, "checked_with": {"runs": ["a", "b"], "chi2": 1.0, "dof": 4}}
    return replace(obs, header={**obs.header, "calibration": {KEY: {"made_utc": "2026-11-25T07:00:00Z", "data": data}}})


@pytest.mark.parametrize("pole_pairs", [4, 2])
def test_the_axis_comes_out_as_it_is_in_the_world(pole_pairs: int) -> None:
    """Three clampings show the motor's orders and twice a turn to their stated uncertainty, folded ones unfolded."""
    found = from_data(remounted(pole_pairs, 3).to_data())
    truth = axis_truth()
    assert {50, 100, 200} <= set(found.coefficients)
    for order in set(found.coefficients) & set(truth):
        assert abs(found.coefficients[order] - truth[order]) < 3.5 * found.u_mech_rad[order] + 0.004 * ARCMIN
    strangers = [abs(c) / ARCMIN for n, c in found.coefficients.items() if n not in truth]
    assert max(strangers, default=0.0) < 0.1


def test_a_seat_that_changes_is_kept_out_of_the_correction() -> None:
    """The two-pole-pair part seats anew each time; what that does to its curve is no order of the axis."""
    found = remounted(2, 3)
    data = found.to_data()
    assert data["reseat_mech_arcmin"] > 0.2
    assert not {2, 4, 8} & {row["order"] for row in data["orders"] if row["applied"]}
    assert data["reseat_seen"]


def test_a_corrected_run_is_nearer_to_the_truth_and_says_so() -> None:
    """A later run under the correction is freed of the axis's orders, with a smaller U at the order that is known."""
    later = clamped(4, 3)[2]
    bare, mended = (
        {r.measurand: r for r in evaluate(obs).results} for obs in (later, under(later, remounted(4, 3).to_data()))
    )
    for order, share in ((2, 0.2), (8, 1.001), (16, 1.001)):
        before, after = (results[f"order_{order}_mech_arcmin"] for results in (bare, mended))
        assert after.U is not None and before.U is not None
        narrowed = after.U / before.U
        assert narrowed < share
    twice = mended["order_2_mech_arcmin"]
    assert twice.estimate is not None and twice.U is not None
    assert abs(bare["order_2_mech_arcmin"].estimate or 0.0) > 1.1
    assert twice.estimate < twice.U + 0.05
    reference = mended["error_max_elec_arcmin"].conditions["reference"]
    assert str(reference).startswith("axis steps, corrected")


def test_a_correction_holds_only_for_what_it_is_tied_to() -> None:
    """Another motor current, load or step setting: the correction is left aside, and the difference is named."""
    data = remounted(4, 3).to_data()
    later = under(clamped(4, 3)[0], data)
    assert evaluate(later).correction is not None
    axis = later.bench.axis
    assert axis is not None
    for change in ({"motor_current_a": 1.2}, {"load": "long spigot"}, {"microsteps": 32}):
        bench = later.bench.model_copy(update={"axis": axis.model_copy(update=change)})
        assert evaluate(replace(later, bench=bench)).correction is None
        assert next(iter(change)) in differences(data, bench, {})[0]
        assert reference_of_steps(evaluate(replace(later, bench=bench)).rotation.standing).startswith(
            f"axis steps, correction left aside: {next(iter(change))}"
        )


def test_a_separation_ignores_the_correction_that_its_runs_were_made_under() -> None:
    """Runs made under a correction give the same axis again, not what the correction left."""
    data = remounted(4, 3).to_data()
    again = separate_runs([under(obs, data) for obs in clamped(4, 3)]).to_data()
    assert again["orders"] == data["orders"]


def test_two_clampings_say_that_the_seat_was_not_seen() -> None:
    """With two clampings the re-seating scatter is an assumption, and stands in the data as one."""
    data = remounted(4, 2).to_data()
    assert not data["reseat_seen"]
    assert data["reseat_mech_arcmin"] > 0
    assert 50 in from_data(data).coefficients


def test_the_check_with_a_second_part() -> None:
    """Parts of other pole pairs find the same axis; parts of the same are no check."""
    assert compare_axes(remounted(4, 3), remounted(2, 3)).agree
    with pytest.raises(UsageError, match="4 pole pairs"):
        compare_axes(remounted(4, 3), remounted(4, 2))


def test_runs_that_do_not_belong_together_are_refused() -> None:
    """Two parts, one clamping, or a run without both sweeps make no set."""
    with pytest.raises(UsageError, match="don't belong together"):
        separate_runs([clamped(4, 3)[0], clamped(2, 3)[0]])
    with pytest.raises(UsageError, match="at least twice"):
        separate_runs(clamped(4, 3)[:1])
    obs = clamped(4, 3)[0]
    without = replace(obs, readings=tuple(r for r in obs.readings if r.step != "sweep_cw"))
    with pytest.raises(UsageError, match="Clamping 2"):
        separate_runs([obs, without])
