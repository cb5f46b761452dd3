"""Steps that excite and turn: order of commands, ceilings, grids and the pipelining of a sweep."""

import itertools
from datetime import UTC, datetime, timedelta

import pytest
from fake_bench import FakeWorld, context

from rig.errors import SafetyStop
from sequences import gates, registry
from sequences.steps import excitation, sampling, sweep, wiring


def test_the_excitation_comes_up_in_stages_and_is_trimmed_to_one_per_cent() -> None:
    """Five stages of rising level, then the level that gives nominal volts at the coil."""
    world = FakeWorld()
    world.amplifier = 1.93
    ctx = context(world)
    excitation.excite(ctx)
    levels = [c[2] for c in world.words("generator") if c[1] in ("prepare", "level")]
    assert levels[0] == pytest.approx(0.2 * 7.0 / 2)
    assert all(a <= b + 1e-9 for a, b in itertools.pairwise(levels))
    assert abs(levels[-1] * 1.93 / 7.0 - 1) < 0.01
    assert len(ctx.captures["ramp"]) >= 6 and len(ctx.captures["excitation"]) == 8
    assert gates.excitation(ctx) == []


def test_the_first_stage_is_measured_within_200_ms_of_switching_on() -> None:
    """The guard is told in time, at the latencies of a slow sampler."""
    world = FakeWorld()
    ctx = context(world)
    seen: list[float] = []
    original = ctx.bench.guard.check_measured
    since: list[float] = []
    switched_on = ctx.bench.guard.switched_on
    ctx.bench.guard.switched_on = lambda at_s: (since.append(at_s), switched_on(at_s))[1]  # type: ignore[method-assign]
    ctx.bench.guard.check_measured = lambda v, a: (seen.append(world.clock.t_s), original(v, a))[1]  # type: ignore[method-assign]
    excitation.excite(ctx)
    assert len(since) == 1 and seen[0] - since[0] < 0.2


def test_a_level_above_the_ceiling_is_refused_before_the_output_comes_on() -> None:
    """The generator gets no word."""
    world = FakeWorld()
    ctx = context(world)
    with pytest.raises(SafetyStop) as told:
        ctx.bench.generator.prepare_sine(frequency_hz=10_000.0, level_v_rms=4.1)
    assert told.value.code == "ceiling-voltage"
    assert not world.words("generator")


def test_an_excitation_that_does_not_arrive_ends_the_run_early_with_the_output_off() -> None:
    """The gate says excitation-missing; the readings that were taken stay."""
    world = FakeWorld()
    world.arrives = 0.01
    ctx = context(world)
    excitation.excite(ctx)
    assert [reason.code for reason in gates.excitation(ctx)] == ["excitation-missing"]
    assert not world.generator.on
    assert len(ctx.select("ramp")) == 2


def test_a_coil_that_would_draw_too_much_is_left_at_the_lowest_stage() -> None:
    """30 ohm at 7 V would be 233 mA against a ceiling of 150 mA."""
    world = FakeWorld()
    world.z_ohm = 30.0
    ctx = context(world)
    excitation.excite(ctx)
    assert [reason.code for reason in gates.excitation(ctx)] == ["excitation-level"]
    assert len(ctx.select("ramp")) == 1 and not world.generator.on


def test_an_amplifier_with_too_much_gain_never_takes_the_coil_above_its_ceiling() -> None:
    """The second stage is already corrected."""
    world = FakeWorld()
    world.amplifier = 4.0
    ctx = context(world)
    excitation.excite(ctx)
    levels = [c[2] for c in world.words("generator") if c[1] in ("prepare", "level")]
    assert max(levels) * 4.0 < 8.0
    assert levels[-1] * 4.0 == pytest.approx(7.0, rel=0.01)


def test_a_measured_current_above_the_ceiling_stops_the_run() -> None:
    """The stop is latched; nothing comes on any more."""
    world = FakeWorld()
    ctx = context(world)
    with pytest.raises(SafetyStop) as told:
        ctx.bench.guard.check_measured(5.0, 0.2)
    assert told.value.code == "ceiling-current"
    with pytest.raises(SafetyStop):
        ctx.bench.generator.output(True)


def test_relays_never_switch_under_power_or_in_motion() -> None:
    """The switch refuses and says why; nothing switches."""
    world = FakeWorld()
    ctx = context(world)
    world.generator.on = True
    with pytest.raises(SafetyStop) as told:
        wiring.part_connected(ctx)
    assert told.value.code == "relays-under-power"
    world.generator.on = False
    assert ctx.bench.axis is not None
    ctx.bench.axis.move_to(10)
    with pytest.raises(SafetyStop) as moving:
        wiring.part_connected(ctx)
    assert moving.value.code == "relays-in-motion"
    assert not world.switch.closed


def test_a_sweep_costs_at_most_ten_per_cent_more_than_move_settle_and_capture() -> None:
    """At 15 ms to arm, 25 ms to read and 5 ms a command."""
    world = FakeWorld()
    ctx = context(world)
    excitation.excite(ctx)
    sweep.index_first(ctx)
    begun_s = world.clock.t_s
    sweep.sweep_ccw(ctx)
    points = sweep.points_per_turn(ctx) + 1
    bound_s = points * (world.move_s + 0.08 + ctx.facts["capture_s"])
    assert world.clock.t_s - begun_s <= 1.10 * bound_s


@pytest.mark.parametrize("read_s", [0.0, 0.025, 0.06, 0.3])
def test_a_slow_transfer_counts_as_settling_and_no_point_is_sampled_before_it_has_settled(read_s: float) -> None:
    """Every trigger comes at least the settling time after the end of its move; a late record costs no second dwell."""
    world = FakeWorld()
    world.read_s = read_s
    ctx = context(world)
    assert ctx.bench.axis is not None
    bare = ctx.bench.axis._inner
    waits: list[float] = []
    original = ctx.bench.sampler.trigger
    ctx.bench.sampler.trigger = lambda: (waits.append(world.clock.t_s - bare.end_s), original())[1]  # type: ignore[attr-defined, method-assign]
    begun_s = world.clock.t_s
    sweep.sweep_ccw(ctx)
    points = sweep.points_per_turn(ctx) + 1
    assert min(waits) >= 0.08 - 1e-9
    slowest_s = world.command_s + max(world.move_s + 0.08, world.arm_s + read_s) + sweep.MOVE_MARGIN_S + 0.0126
    assert world.clock.t_s - begun_s < (points + 3) * slowest_s + read_s  # two approaches before the first point


@pytest.mark.parametrize(("steps", "s"), [(10, 2 * (1.125 / 2000) ** 0.5), (3200, 1.0 + 0.18)])
def test_a_move_takes_what_speed_and_acceleration_allow(steps: int, s: float) -> None:
    """Triangle for short moves, trapezoid for a turn."""
    device = context(FakeWorld()).bench.file.axis
    assert device is not None
    assert sweep.move_time_s(device, steps) == pytest.approx(s)


def test_a_record_is_fetched_while_the_axis_moves_and_the_sampler_is_armed_before_it_has_settled() -> None:
    """captured, move, fetch, arm, stopped, trigger: for every point."""
    world = FakeWorld()
    ctx = context(world)
    sweep.sweep_ccw(ctx)
    words = [c[1] for c in world.words("axis", "sampler")]
    first = words.index("trigger")
    assert words[first : first + 7] == ["trigger", "captured", "move", "fetch", "arm", "stopped", "trigger"]


def test_both_passes_come_from_their_own_side_and_close_one_turn_later() -> None:
    """Run-up from outside, the last approach a step of the grid, the closing point is the first again."""
    world = FakeWorld()
    ctx = context(world)
    sweep.sweep_ccw(ctx)
    sweep.sweep_cw(ctx)
    moves = [c[2] for c in world.words("axis") if c[1] == "move"]
    n = sweep.points_per_turn(ctx) + 1
    ccw, cw = moves[: n + 2], moves[n + 2 :]
    assert ccw[0] < ccw[1] == -10 and ccw[2] == 0 and ccw[-1] == 3200 and ccw == sorted(ccw)
    assert cw[0] > cw[1] == 3210 and cw[2] == 3200 and cw[-1] == 0 and cw == sorted(cw, reverse=True)
    closing = ctx.select("sweep_ccw", closing=True)
    assert len(closing) == 1 and closing[0].conditions["position_steps"] == 3200


@pytest.mark.parametrize("part", ["KX4-2207", "KX2-1184"])
def test_the_grid_divides_the_turn_and_hides_no_stepper_order(part: str) -> None:
    """320, 400 or 640 of 3200 steps."""
    assert sweep.points_per_turn(context(FakeWorld(), part)) in (320, 400, 640)


def test_a_capture_lasts_one_ringing_period_rounded_up() -> None:
    """80 Hz: 12.5 ms and not a sample less."""
    world = FakeWorld()
    ctx = context(world)
    sampling.ready(ctx)
    assert ctx.facts["capture_s"] >= 0.0125 > ctx.facts["capture_s"] - 1 / 241_545.9


def test_a_loopback_is_made_when_there_is_none_or_an_old_one() -> None:
    """Half a day by the bench file; one of the future is not believed."""
    world = FakeWorld()
    now = datetime(2030, 1, 1, tzinfo=UTC)
    for hours, due in ((None, True), (1, False), (11.9, False), (12.1, True), (-1, True)):
        made = None if hours is None else {"made_utc": (now - timedelta(hours=hours)).isoformat()}
        assert excitation.loopback_due(context(world, calibration=made)) is due


def test_a_sequence_is_found_by_name_and_a_slip_gets_a_hint() -> None:
    """The nearest name is told."""
    assert registry.find_sequence("full_test").name == "full_test"
    with pytest.raises(ValueError, match="full_test"):
        registry.find_sequence("fulltest")
