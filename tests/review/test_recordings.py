"""Recordings from elsewhere: what a technician with any scope is told, and what is never claimed."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from judged_recordings import codes, estimate, judge_file, judge_phasors, judge_sweep, judge_waves
from recorded_samples import moved, phasors, waves

from rig.records.elsewhere.csv_files import read_waves
from rig.records.elsewhere.recording import RecordingFacts, waves_observed
from rig.records.elsewhere.tables import PhasorTable, SweepFile, WaveTable, stack_of_volts
from rig.result import Judgement
from rig.review.judge import judge

SHARED = Path(os.environ.get("ANGLEWRIGHT_SHARED", "/nowhere")) / "cases"
shared = pytest.mark.skipif(
    not SHARED.is_dir(), reason="ANGLEWRIGHT_SHARED does not point to the shared cases: NOT RUN"
)


value = estimate


def case(name: str, pole_pairs: int | None = None) -> Judgement:
    """A shared recording."""
    return judge_file(SHARED / "phasors" / f"{name}.csv", pole_pairs)


# ---- the shared cases


@shared
def test_shared_good_part() -> None:
    """A good one-pole-pair part: ratio 0.286, error near zero, one pole pair, nothing against it."""
    found = case("good_1pp", pole_pairs=1)
    assert value(found, "tr_sin") == pytest.approx(0.2857, abs=2e-4)
    assert value(found, "error_max_elec_arcmin") < 1.0
    assert (value(found, "pole_pairs"), value(found, "direction")) == (1, 1)
    assert (found.outcome, codes(found), found.exit_status) == ("measured, no limits", set(), 0)


@shared
@pytest.mark.parametrize(("name", "zeros"), [("swapped", (90.0,)), ("one_reversed", (0.0, 180.0, 360.0))])
def test_shared_wirings(name: str, zeros: tuple[float, ...]) -> None:
    """Swapped or reversed: direction reversed, zero at a quarter turn, the class of wirings named, curve good."""
    found = case(name, pole_pairs=1)
    assert value(found, "direction") == -1
    assert min(abs(value(found, "zero_elec_deg") - zero) for zero in zeros) < 0.05
    assert {finding.code for finding in found.findings} == {"wiring-swapped", "wiring-reversed"}
    assert "swapped" in found.findings[0].against and "reversed" in found.findings[0].against
    row = found.line("error_max_elec_arcmin")
    assert row is not None and row.verdict.value == "no limit" and value(found, "error_max_elec_arcmin") < 1.0


@shared
def test_shared_gain() -> None:
    """5.4 % of gain: order 2 electrical, the ellipse says imbalance, the question is whose it is."""
    found = case("gain_5p4pct", pole_pairs=1)
    assert value(found, "tr_imbalance") == pytest.approx(0.054, abs=2e-4)
    assert value(found, "order_2_mech_arcmin") == pytest.approx(90.4, abs=0.5)
    reason = next(reason for reason in found.reasons if reason.code == "channel-gain")
    assert "swap" in reason.next.lower() and "calibrate" in reason.next
    assert found.causes[0].code == "imbalance" and found.outcome == "undecided"


@shared
def test_shared_orthogonality() -> None:
    """82 degrees apart: 8.0 deg in size, order 2 and mean of 4.0 deg, gain 1.00; the mean belongs to the zero."""
    found = case("quad_8deg", pole_pairs=1)
    assert abs(value(found, "orthogonality_elec_deg")) == pytest.approx(8.0, abs=0.01)
    assert value(found, "order_2_mech_arcmin") == pytest.approx(240.0, abs=1.0)
    assert value(found, "zero_elec_deg") == pytest.approx(4.0, abs=0.02)
    assert value(found, "tr_imbalance") == pytest.approx(0.0, abs=2e-4)
    assert any("belongs to the zero" in note for note in found.notes)


@shared
def test_shared_pole_pairs() -> None:
    """Four pole pairs told as one: it looks like four, and the error has no verdict until that is confirmed."""
    found = case("pp4_told_1", pole_pairs=1)
    assert value(found, "pole_pairs") == 4 and "pole-pairs-mismatch" in codes(found)
    row = found.line("error_max_elec_arcmin")
    assert row is not None and row.verdict.value == "not tested" and found.exit_status == 3
    assert case("pp4_told_1", pole_pairs=4).outcome == "measured, no limits"


@shared
def test_shared_restart() -> None:
    """A source that restarts in either phase: no effect, since the excitation was recorded."""
    found = case("restart_flips_exc_recorded", pole_pairs=1)
    assert value(found, "error_max_elec_arcmin") < 1.0 and found.outcome == "measured, no limits"
    assert any("cancels" in note for note in found.notes)


@shared
def test_shared_clipped_wave() -> None:
    """An input that limits at 1.8 V: channel and level named, nothing judged."""
    found = judge_waves(read_waves(SHARED / "waves" / "clipped_carrier.csv"))
    reason = next(reason for reason in found.reasons if reason.code == "channel-saturated")
    assert "sine" in reason.text and "1.8" in reason.text and found.exit_status == 3
    row = found.line("ratio_sin")
    assert row is not None and row.verdict.value == "not tested"


@shared
def test_shared_non_integer_periods() -> None:
    """110.25 samples a period: amplitudes right to 1e-4, frequency 400.0 Hz."""
    found = judge_waves(read_waves(SHARED / "waves" / "400Hz_nonint_44100.csv"))
    for id_, truth in (("amplitude_exc_v", 1.0), ("amplitude_sin_v", 0.5), ("amplitude_cos_v", 0.2)):
        assert value(found, id_) == pytest.approx(truth, rel=1e-4)
    assert value(found, "f_exc_hz") == pytest.approx(400.0, abs=0.002)
    assert found.outcome == "measured, no limits"


# ---- fresh cases of the same kinds


@pytest.mark.parametrize("p", [1, 2, 3, 4, 5, 8])
def test_pole_pairs_are_found_untold(p: int) -> None:
    """Pole pairs, ratio and a clean error without being told anything."""
    found = judge_phasors(phasors(p, 160, phase_deg=-12.0))
    assert value(found, "pole_pairs") == p and found.outcome == "measured, no limits"
    assert value(found, "tr_sin") == pytest.approx(2 / 7, rel=1e-3)
    assert value(found, "phase_sin_deg") == pytest.approx(-12.0, abs=0.02)
    assert value(found, "error_max_elec_arcmin") < 1.0
    assert any("commanded turn" in row.what for row in found.unknown)


@pytest.mark.parametrize(("p", "gain"), [(1, 0.93), (4, 1.031), (3, 1.1)])
def test_gain_is_asked_back(p: int, gain: float) -> None:
    """Any clear imbalance asks for the channels to be swapped, and its size comes from the ellipse."""
    found = judge_phasors(phasors(p, 120, gain=gain), p)
    assert value(found, "tr_imbalance") == pytest.approx(gain - 1, abs=3e-4)
    assert codes(found) == {"channel-gain"} and found.outcome == "undecided"


def test_a_positioner_error_is_not_imbalance() -> None:
    """Positions off twice an electrical turn leave the ellipse round, and the positioner is named."""
    table = phasors(2, 160)
    table = moved(table, 0.25 * np.sin(4 * np.radians(table.stepper_mech_deg)), 2)
    found = judge_phasors(table, 2)
    assert abs(value(found, "tr_imbalance")) < 3e-4
    assert [cause.code for cause in found.causes] == ["positioner"] and found.causes[0].order_mech == 4


@pytest.mark.parametrize(("p", "scale"), [(4, 0.5), (4, 2.0), (1, 0.5), (3, 0.25)])
def test_microsteps_off_by_a_power_of_two(p: int, scale: float) -> None:
    """A driver set to half or twice the microsteps is among the reasons, and no error is stated."""
    found = judge_phasors(phasors(p, 200, scale=scale), p)
    assert "microstep-setting" in codes(found) and found.outcome == "unsound measurement"


def test_a_scale_of_no_power_is_not_whole() -> None:
    """3.9 electrical turns a commanded turn are no pole pairs."""
    found = judge_phasors(phasors(4, 200, scale=0.975), 4)
    assert "pole-pairs-not-whole" in codes(found)


def test_restarts_that_were_not_recorded() -> None:
    """Records that flip by half a turn while the excitation's column stays are found, and the turn isn't judged."""
    table = phasors(2, 96)
    sign = np.random.default_rng(8).choice([-1.0, 1.0], 96)
    found = judge_phasors(replace(table, sine=table.sine * sign, cosine=table.cosine * sign), 2)
    assert "source-restarted" in codes(found) and value(found, "pole_pairs") == 2
    assert found.outcome == "unsound measurement"


@pytest.mark.parametrize(("lost_deg", "code"), [(7.2, "steps-lost"), (-14.4, "steps-lost"), (3.1, "axis-slip")])
def test_a_step_that_stays(lost_deg: float, code: str) -> None:
    """Lost motor steps are whole turns of the motor's field; any other step is a slip."""
    table = phasors(4, 160)
    late = np.where(np.arange(160) >= 90, lost_deg, 0.0)
    assert code in codes(judge_phasors(moved(table, late, 4), 4))


def test_a_turn_that_does_not_close() -> None:
    """A closing point that reads half a degree off is told with its size."""
    table = phasors(1, 120, closing=True)
    creep = np.linspace(0.0, 0.5, 121)
    assert "turn-not-closed" in codes(judge_phasors(moved(table, creep, 1), 1))
    assert judge_phasors(table, 1).outcome == "measured, no limits"


def _rows(table: PhasorTable, order: list[int]) -> PhasorTable:
    return replace(table, exc=table.exc[order], sine=table.sine[order], cosine=table.cosine[order], lines=table.lines)


def test_records_overwritten_swapped_and_disturbed() -> None:
    """A copied record, two that changed places and one that stands out are three different things."""
    table, plain = phasors(2, 100), list(range(100))
    copied = [*plain[:40], 7, *plain[41:]]
    swapped = [*plain[:20], 61, *plain[21:61], 20, *plain[62:]]
    assert codes(judge_phasors(_rows(table, copied))) == {"record-overwritten"}
    assert codes(judge_phasors(_rows(table, swapped))) == {"record-out-of-order"}
    kick = np.zeros(100)
    kick[33] = 3.0
    found = judge_phasors(moved(table, kick, 2))
    assert codes(found) == {"point-disturbed"} and "record 36" in found.reasons[0].evidence


def test_equal_records_an_electrical_turn_apart_are_no_copies() -> None:
    """A noiseless file repeats itself every electrical turn, and that is no fault."""
    table = phasors(4, 160, noise_v=0.0)
    rounded = replace(table, sine=np.round(table.sine, 4), cosine=np.round(table.cosine, 4))
    assert judge_phasors(rounded, 4).outcome == "measured, no limits"


def test_missing_points_are_counted_and_a_wide_gap_blinds() -> None:
    """One hole is stood by least squares; a gap of an eighth of an electrical turn is not."""
    table = phasors(2, 100)

    def without(gone: list[int]) -> Judgement:
        keep = np.setdiff1d(np.arange(100), gone)
        return judge_phasors(
            PhasorTable(
                source="made",
                stepper_mech_deg=table.stepper_mech_deg[keep],
                exc=table.exc[keep],
                sine=table.sine[keep],
                cosine=table.cosine[keep],
                lines=table.lines[keep],
            )
        )

    one, wide = without([50]), without(list(range(30, 42)))
    assert codes(one) == {"points-missing"} and one.outcome == "measured, no limits"
    assert codes(wide) == {"points-missing"} and wide.outcome == "unsound measurement"


def test_a_rotor_that_stands_and_an_output_that_is_dead() -> None:
    """Positions without movement, a silent output and a dead excitation are three different reasons."""
    table = phasors(2, 60)
    still = _rows(table, [5] * 60)
    still = replace(still, sine=still.sine + 1e-4 * np.random.default_rng(1).standard_normal(60))
    assert codes(judge_phasors(still)) == {"axis-not-turning"}
    assert codes(judge_phasors(replace(table, cosine=0 * table.cosine))) == {"channel-silent"}
    assert codes(judge_phasors(replace(table, exc=0 * table.exc))) == {"excitation-missing"}


def test_a_coarse_grid_says_what_it_hides() -> None:
    """Twenty positions can't tell 4 from 16 pole pairs backwards; told which, the rest is measured."""
    found = judge_phasors(phasors(4, 20))
    assert "grid-blind" in codes(found) and found.exit_status == 3
    told = judge_phasors(phasors(2, 100), 2)
    assert any("stepper" in row.what and "Nyquist" in row.what for row in told.unknown)


@pytest.mark.parametrize("phase_deg", [84.0, -86.0])
def test_a_phase_near_a_quarter_is_ambiguous(phase_deg: float) -> None:
    """Near 90 degrees of phase the sign is open, and that is said."""
    assert "phase-ambiguous" in codes(judge_phasors(phasors(1, 72, phase_deg=phase_deg)))


def test_other_kinds_of_part() -> None:
    """Three-wire transmitters and two speeds in one part are not this kind."""
    assert judge_phasors(phasors(1, 72, lag_deg=30.0)).outcome == "not this kind"
    one, eight = phasors(1, 160), phasors(8, 160)
    both = replace(one, cosine=one.cosine + 0.8 * eight.cosine, sine=one.sine + 0.8 * eight.sine)
    assert judge_phasors(both).outcome == "not this kind"


def test_play_between_directions() -> None:
    """A pass up and a pass down that differ by 12' mechanical show latency or play."""
    table = phasors(2, 100)
    back = list(range(99, -1, -1))
    both = PhasorTable(
        source="made",
        stepper_mech_deg=np.concatenate([table.stepper_mech_deg, table.stepper_mech_deg[back]]),
        exc=np.concatenate([table.exc, table.exc[back]]),
        sine=np.concatenate([table.sine, table.sine[back] + 1e-9]),
        cosine=np.concatenate([table.cosine, table.cosine[back] + 1e-9]),
        lines=np.arange(200),
    )
    shift = np.concatenate([np.full(100, 0.1), np.full(100, -0.1)])
    assert codes(judge_phasors(moved(both, shift, 2))) == {"latency"}
    assert codes(judge_phasors(both)) == set()


# ---- one record


@pytest.mark.parametrize(("hz", "rate", "samples"), [(9913.7, 250e3, 1000), (400.0, 44100.0, 140), (5000.0, 48e3, 37)])
def test_amplitudes_of_any_number_of_periods(hz: float, rate: float, samples: int) -> None:
    """Amplitudes are right to 1e-4 from 1.3 periods up, whole or not."""
    found = judge_waves(waves(hz, rate, samples, el_deg=33.0))
    assert value(found, "amplitude_exc_v") == pytest.approx(4.0, rel=1e-4)
    assert value(found, "ratio_both") == pytest.approx(0.286, rel=1e-4)
    assert value(found, "f_exc_hz") == pytest.approx(hz, rel=1e-5)
    assert value(found, "angle_elec_deg") == pytest.approx(33.0, abs=0.01)


@pytest.mark.parametrize("level", [0.6, 0.8, 0.95])
@pytest.mark.parametrize("noise_v", [0.0, 1e-3])
def test_a_clipped_output_is_found_with_and_without_noise(level: float, noise_v: float) -> None:
    """An output cut at a share of its peak is named; the whole one beside it is not."""
    found = judge_waves(waves(el_deg=70.0, clip_v=level * 1.144 * np.sin(np.radians(70.0)), noise_v=noise_v))
    texts = [reason.text for reason in found.reasons if reason.code == "channel-saturated"]
    assert len(texts) == 1 and "sine" in texts[0]


@pytest.mark.parametrize("noise_v", [0.0, 1e-3])
def test_a_whole_record_is_not_called_clipped(noise_v: float) -> None:
    """A clean sine, rounded coarsely or not, with a distorted source or not, does not saturate."""
    assert judge_waves(waves(noise_v=noise_v)).outcome == "measured, no limits"
    table = waves(noise_v=noise_v)
    coarse = replace(table, volts=np.round(table.volts / 0.01) * 0.01)
    assert "channel-saturated" not in codes(judge_waves(coarse))
    assert codes(judge_waves(waves(third=0.06, noise_v=noise_v))) == {"excitation-distorted"}


@pytest.mark.parametrize("per_cycle", [4.0, 5.0, 9.9994, 10.0])
def test_few_samples_a_cycle_are_not_called_clipped(per_cycle: float) -> None:
    """Where no sample meets a peak, the samples below it still fit; a cut one is found all the same."""
    whole = waves(10e3, 10e3 * per_cycle, 300, phase_deg=17.0, noise_v=1e-4)
    assert "channel-saturated" not in codes(judge_waves(whole))
    cut = replace(whole, volts=np.clip(whole.volts, -0.8, 0.8) if per_cycle > 9 else whole.volts)
    assert ("channel-saturated" in codes(judge_waves(cut))) == (per_cycle > 9)


def test_interference_is_told_with_its_frequency() -> None:
    """A line 800 Hz from the carrier is told with its frequency and how long a record would have to be."""
    found = judge_waves(waves(tone=(9100.0, 0.02), samples=4000, noise_v=1e-4))
    reason = next(reason for reason in found.reasons if reason.code == "interference")
    assert "9100" in reason.evidence and "81" in reason.evidence


def test_skew_leaves_the_angle_and_is_asked_about() -> None:
    """Channels 4 us one after the other: the phases are open; the angle of one record is not spoiled by it much."""
    found = judge_waves(waves(skew_s=4e-6, noise_v=1e-5))
    assert "skew" in codes(found) and found.outcome == "undecided"
    turn = phasors(2, 100)
    late = np.exp(2j * np.pi * 9913.7 * 4e-6)
    swept = judge_phasors(replace(turn, sine=turn.sine * late, cosine=turn.cosine * late**2), frequency_hz=9913.7)
    assert codes(swept) == {"skew"} and value(swept, "error_max_elec_arcmin") < 1.0


def test_a_dead_reference_and_a_wrong_frequency() -> None:
    """Without excitation nothing is known; another frequency than told is said."""
    table = waves()
    assert codes(judge_waves(replace(table, volts=table.volts * np.array([[0], [1], [1]])))) == {"excitation-missing"}
    assert "excitation-frequency" in codes(judge_waves(waves(), frequency_hz=9000.0))


# ---- sweeps


def sweep(points: int = 80, p: int = 4, noise_v: float = 3e-4, clip_v: float | None = None) -> SweepFile:
    """Records of waves() round a turn."""
    at = np.arange(points) * 360.0 / points
    volts = np.stack(
        [waves(samples=400, el_deg=p * a, noise_v=noise_v, clip_v=clip_v, seed=int(a * 10)).volts for a in at]
    )
    return SweepFile(source="made", positions_mech_deg=at, stack=stack_of_volts(volts, ("exc", "sin", "cos"), 250e3))


def test_a_sweep_gets_the_same_treatment() -> None:
    """Level, frequency, distortion, ratio, pole pairs and error from records at positions."""
    found = judge_sweep(sweep(), 4)
    assert found.outcome == "measured, no limits", codes(found)
    assert value(found, "f_exc_hz") == pytest.approx(9913.7, abs=0.05)
    assert value(found, "tr_cos") == pytest.approx(0.286, rel=1e-3)
    assert value(found, "error_max_elec_arcmin") < 1.0


def test_a_clipped_sweep_is_not_judged() -> None:
    """Outputs that limit in their strongest records make the sweep unsound."""
    found = judge_sweep(sweep(clip_v=1.0), 4)
    texts = " ".join(reason.text for reason in found.reasons if reason.code == "channel-saturated")
    assert "sine" in texts and "cosine" in texts and found.outcome == "unsound measurement"


# ---- a record in which the rotor turned


def by_hand(
    turns: float, *, p: int = 2, gain: float = 1.0, offset: float = 0.0, clip_v: float | None = None
) -> WaveTable:
    """Two seconds at 50 kS/s, 5 kHz; a hand that speeds up and hesitates."""
    t = np.arange(100_000) / 50e3
    el = 2 * np.pi * p * turns * (t / 2 + 0.04 * np.sin(9 * t)) + 0.4
    carrier = np.sin(2 * np.pi * 5000.3 * t)
    volts = np.stack([4 * carrier, 1.144 * gain * (np.sin(el) + offset) * carrier, 1.144 * np.cos(el) * carrier])
    if clip_v is not None:
        volts[1:] = np.clip(volts[1:], -clip_v, clip_v)
    volts += 2e-4 * np.random.default_rng(2).standard_normal(volts.shape)
    return WaveTable(source="made", volts=volts, sample_rate_hz=50e3, u_rate_relative=0.0)


def test_a_record_of_a_turning_rotor_tells_the_ellipse() -> None:
    """Ratio, imbalance and centre come from the ellipse, whatever the speed; the error is said to be unknown."""
    found = judge_waves(by_hand(1.3, gain=1.01, offset=0.004), 2)
    assert value(found, "tr_cos") == pytest.approx(0.286, rel=2e-4)
    assert value(found, "tr_imbalance") == pytest.approx(0.01, abs=3e-4)
    assert value(found, "centre_sin") == pytest.approx(0.004, abs=2e-4)
    assert found.outcome == "measured, no limits" and any("where the rotor stood" in row.what for row in found.unknown)


def test_a_turning_rotor_that_saturates_or_hardly_moves() -> None:
    """A cut output is found in its strongest stretch; a part of an electrical turn is told as such."""
    cut = judge_waves(by_hand(1.3, clip_v=1.0), 2)
    assert "channel-saturated" in codes(cut) and cut.outcome == "unsound measurement"
    little = judge_waves(by_hand(0.2), 2)
    assert codes(little) == {"points-missing"}
    row = little.line("tr_sin")
    assert row is not None and row.verdict.value == "not tested"


# ---- what a recording used to be told wrongly


def turn_of(error_elec_arcmin: dict[int, float], p: int = 2, points: int = 160) -> PhasorTable:
    """Phasors of a part whose error has these orders a mechanical turn (electrical arcmin)."""
    table = phasors(p, points)
    theta = np.radians(table.stepper_mech_deg)
    error = sum(size * np.sin(order * theta + order) for order, size in error_elec_arcmin.items())
    return moved(table, np.asarray(error) / 60.0 / p, p)


@pytest.mark.parametrize("orders", [{1: 239.0}, {3: 80.0}, {5: 40.0, 7: 25.0}, {17: 60.0}, {23: 30.0, 15: 30.0}])
def test_the_largest_error_has_every_order(orders: dict[int, float]) -> None:
    """Orders beside the multiples of the pole pairs and round the teeth count: nothing is left out of the largest."""
    found = judge_phasors(turn_of(orders), 2)
    theta = np.linspace(0.0, 2 * np.pi, 20_000)
    truth = float(np.max(np.abs(sum(size * np.sin(n * theta + n) for n, size in orders.items()))))
    row = found.line("error_max_elec_arcmin")
    assert row is not None and row.result is not None and row.result.U is not None
    assert abs(value(found, "error_max_elec_arcmin") - truth) < 2.0 * row.result.U and row.result.U < 1.0


def test_what_the_model_leaves_spoils_the_largest_error() -> None:
    """An order beyond those that the positions can carry is not smoothed away in silence."""
    found = judge_phasors(turn_of({70: 60.0}), 2)
    assert "grid-blind" in codes(found)
    row = found.line("error_max_elec_arcmin")
    assert row is not None and row.verdict.value == "not tested"


@pytest.mark.parametrize("level", [0.63, 0.80, 0.95])
@pytest.mark.parametrize("p", [1, 3])
def test_clipped_envelopes_are_saturated_channels(level: float, p: int) -> None:
    """Many positions at one maximum, sine and cosine alike, are a range, not a winding's harmonic or a wrong scale."""
    table, top = phasors(p, 120), 2.0 * level
    noise = 1e-4 * np.random.default_rng(1).standard_normal((2, 120))
    cut = replace(
        table,
        sine=np.clip(table.sine.real, -top, top) + noise[0] + 0j,
        cosine=np.clip(table.cosine.real, -top, top) + noise[1] + 0j,
    )
    found = judge_phasors(cut, p)
    texts = " ".join(reason.text for reason in found.reasons)
    assert "sine" in texts and "cosine" in texts and found.outcome == "unsound measurement"
    assert codes(found) == {"channel-saturated"}


@pytest.mark.parametrize("phase_deg", [100.0, 110.0, -105.0])
def test_a_phase_beyond_a_quarter_leaves_the_sign_open(phase_deg: float) -> None:
    """100 deg look like -80 deg with a zero half a turn off: zero and phases are not known, the error is."""
    found = judge_phasors(phasors(2, 160, phase_deg=phase_deg), 2)
    assert codes(found) == {"phase-ambiguous"}
    for id_ in ("zero_elec_deg", "phase_sin_deg", "phase_cos_deg"):
        row = found.line(id_)
        assert row is not None and row.verdict.value == "not tested", id_
    assert value(found, "direction") == 1 and value(found, "error_max_elec_arcmin") < 1.0


def test_four_places_of_the_electrical_turn_are_too_few() -> None:
    """24 points of six pole pairs show four places: blind, never another kind of part 57 deg out of square."""
    found = judge_phasors(phasors(6, 24, zero_deg=20.0), 6)
    assert "grid-blind" in codes(found) and found.outcome != "not this kind"


def test_the_last_digit_of_a_file_is_an_influence() -> None:
    """A noise-free file of three decimals states no U of 1e-14: half a unit of its last digit is in every line."""
    table = phasors(2, 160, noise_v=0.0)
    rounded = replace(
        table, sine=np.round(table.sine.real, 3) + 0j, cosine=np.round(table.cosine.real, 3) + 0j, digit_v=0.5e-3
    )
    for row in judge_phasors(rounded, 2).judged:
        if row.result is None or row.result.estimate is None or row.measurand in ("pole_pairs", "direction"):
            continue
        assert row.result.U is not None and row.result.U > 1e-6, row.measurand


def test_two_captures_of_two_channels_are_one_recording() -> None:
    """Excitation and sine, then excitation and cosine at another phase: the same ratios and angle as one capture."""
    whole = waves(el_deg=33.0, noise_v=1e-4)
    later = waves(el_deg=33.0, noise_v=1e-4, seed=9)
    shifted = replace(later, volts=np.roll(later.volts, 7, axis=1)[:, 10:-10])
    first = replace(whole, volts=whole.volts[[0, 1]], channels=("exc", "sin"))
    second = replace(shifted, volts=shifted.volts[[0, 2]], channels=("exc", "cos"))
    one, two = judge_waves(whole), judge(waves_observed(first, RecordingFacts(), second))
    for id_ in ("ratio_sin", "ratio_cos", "angle_elec_deg"):
        row = two.line(id_)
        assert row is not None and row.result is not None and row.result.U is not None
        assert abs(value(two, id_) - value(one, id_)) < 3 * row.result.U + 1e-4, id_
    assert two.outcome == "measured, no limits"
