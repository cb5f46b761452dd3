"""The world through its methods: relays, source, sampler, meter, climate and interlock on one true part."""

from __future__ import annotations

import math
import time
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from drivers.simulated.world.truth import truth
from drivers.simulated.world.world import World
from drivers.simulated.worldfile.keys import WorldFile
from rig.errors import UsageError

RATE, N = 241_545.9, 3000
RANGES = (10.0, 10.0, 10.0, 10.0)
HZ = 10_000.0


def on(*pairs: tuple[int, int]) -> frozenset[int]:
    return frozenset(1000 + 100 * row + column for row, column in pairs)


MEASURE = on((3, 1), (4, 2), (5, 3), (6, 4), (7, 5), (8, 6))


def made(clamping: int = 1, **keys: Any) -> World:
    return World(WorldFile.model_validate(keys), clamping)


def excited(world: World, t_s: float = 0.0, v_rms: float = 7.0, relays: frozenset[int] = MEASURE) -> World:
    world.relays_set(t_s, relays)
    world.generator_set(t_s, on=True, frequency_hz=HZ, open_circuit_v_peak=v_rms * math.sqrt(2) / 2)
    return world


def volts(world: World, t_s: float, ranges: tuple[float, float, float, float] = RANGES) -> NDArray[np.float64]:
    half = 2 ** (world.file.sampler.bits - 1)
    codes = world.sample(t_s, rate_hz=RATE, n=N, ranges_v=ranges)
    return codes * (np.array(ranges) / half)[:, None]


def phasors(world: World, t_s: float, harmonics: int = 5) -> NDArray[np.complex128]:
    """(4, harmonics) peak phasors by least squares at the true frequency."""
    file = world.file
    true_hz = HZ * (1 + 1e-6 * file.generator.frequency_ppm) / (1 + 1e-6 * file.sampler.clock_ppm)
    angle = 2 * math.pi * true_hz / RATE * np.arange(N)
    basis = [np.ones(N)]
    for h in range(1, harmonics + 1):
        basis += [np.sin(h * angle), np.cos(h * angle)]
    found = np.linalg.lstsq(np.stack(basis, axis=1), volts(world, t_s).T, rcond=None)[0]
    return (found[1::2] + 1j * found[2::2]).T


# ---- captures --------------------------------------------------------------------------------------------------


def test_a_capture_holds_what_the_truth_says() -> None:
    """Level, current and both ratios of a good part come out of the codes as the circuit has them."""
    world = excited(made())
    found = truth(world.file)["as_clamped"]
    p = phasors(world, 1.0)[:, 0]
    exc_v, current = p[0] / 0.5, p[1] / 1.0
    assert abs(exc_v) / math.sqrt(2) == pytest.approx(7.0, rel=3e-3)
    assert abs(exc_v / current) == pytest.approx(found["z_exc_mod"], rel=5e-3)
    ratio = math.hypot(abs(p[2] / exc_v), abs(p[3] / exc_v))
    assert ratio == pytest.approx(found["tr_sin"], rel=5e-3)


def test_a_sweep_repeats_the_true_error_curve() -> None:
    """Angles taken from captures at 80 positions follow the curve of the truth within the sampler's noise."""
    quiet = {"noise_v": 1e-5, "input_ohm": 1e12, "input_pf": 0}
    world = excited(made(sampler=quiet))
    found = truth(world.file)
    curve = np.array(found["curve"]["error_elec_arcmin"])
    at, theta, t = [], [], 1.0
    for i in range(80):
        t = world.axis_move(t, 40 * i, 3200, 18_000) + 0.5
        p = phasors(world, t)[:, 0]
        at.append(float(world.angle_mech_rad(np.array([t]))[0]))
        theta.append(p[2:] / p[0])
    s, c = np.array(theta).T
    u, v = (x * np.exp(-0.5j * np.angle(np.sum((x - x.mean()) ** 2))) for x in (s, c))
    deviation = np.unwrap(np.arctan2(u.real, v.real)) - 4 * np.array(at)
    error = (deviation - deviation.mean()) * 180 * 60 / math.pi
    expected = np.interp(np.degrees(at) % 360, found["curve"]["angle_mech_deg"], curve, period=360)
    assert np.abs(error - (expected - expected.mean())).max() < 0.5


def test_unconnected_inputs_read_noise_only() -> None:
    """With the sine's relays open, or the source off, nothing but noise is left."""
    world = excited(made(), relays=on((3, 1), (4, 2), (7, 5), (8, 6)))
    spread = volts(world, 1.0).std(axis=1)
    assert spread[2] < 1e-3 < spread[0]
    world.generator_set(2.0, on=False, frequency_hz=HZ, open_circuit_v_peak=5.0)
    assert volts(world, 3.0).std(axis=1).max() < 1e-3


def test_excitation_reaches_the_part_only_through_its_relays() -> None:
    """Without rows 3 and 4 there is a voltage on the bus, no current and no output."""
    world = excited(made(), relays=on((5, 3), (6, 4), (7, 5), (8, 6)))
    p = np.abs(phasors(world, 1.0)[:, 0])
    assert p[0] == pytest.approx(4.95, rel=0.01) and p[1:].max() < 1e-3


def test_the_loopback_puts_one_voltage_on_every_input() -> None:
    """Relay 2001: amplifier output on all four connectors, divider and shunt bypassed, part disconnected."""
    p = phasors(excited(made(), relays=MEASURE | {2001}), 1.0)[:, 0]
    assert np.abs(p / p[0] - 1).max() < 1e-4 and abs(p[0]) == pytest.approx(9.9, rel=1e-3)
    skewed = made(sampler={"skew_ns": [0, 0, 4000, 0], "gain_error": [0, 0, 0, 0.01]})
    p = phasors(excited(skewed, relays=frozenset({2001})), 1.0)[:, 0]
    assert math.degrees(np.angle(p[2] / p[0])) == pytest.approx(14.4, abs=0.01)
    assert abs(p[3] / p[0]) == pytest.approx(1.01, rel=1e-4)


def test_the_ratio_standard_gives_its_ratio() -> None:
    """Relay 2004: sine and cosine inputs get 0.286 of the bus."""
    p = phasors(excited(made(), relays=MEASURE | {2004}), 1.0)[:, 0]
    assert p[2] / (p[0] / 0.5) == pytest.approx(0.286, rel=1e-4)


def test_the_start_phase_is_new_at_each_switching_on_and_runs_on_between() -> None:
    """Captures of one switching-on keep a common time base; the next has another phase."""
    world = excited(made(), relays=frozenset({2001}))

    def start(t_s: float) -> float:
        true_hz = HZ * (1 + 5e-6)
        return float(np.angle(phasors(world, t_s)[0, 0]) - 2 * math.pi * true_hz * t_s)

    first = start(1.0)
    assert math.remainder(start(1.237) - first, 2 * math.pi) == pytest.approx(0, abs=1e-3)
    world.generator_set(2.0, on=True, frequency_hz=HZ, open_circuit_v_peak=2.0)
    assert math.remainder(start(2.5) - first, 2 * math.pi) == pytest.approx(0, abs=2e-3)
    world.generator_set(3.0, on=False, frequency_hz=HZ, open_circuit_v_peak=2.0)
    world.generator_set(4.0, on=True, frequency_hz=HZ, open_circuit_v_peak=2.0)
    assert abs(math.remainder(start(5.0) - first, 2 * math.pi)) > 0.05


def test_too_much_for_the_range_sits_on_the_rails() -> None:
    """A signal above the range is clipped at its first and last codes; clip_v limits ahead of the range."""
    codes = excited(made()).sample(1.0, rate_hz=RATE, n=N, ranges_v=(2.0, 10.0, 10.0, 10.0))
    assert codes[0].max() == 32767 and codes[0].min() == -32768 and np.sum(codes[0] == 32767) > 100
    limited = volts(excited(made(sampler={"clip_v": 1.0})), 1.0)
    assert np.abs(limited).max() < 1.01


def test_fewer_bits_are_coarser_codes() -> None:
    """A 12-bit sampler gives codes from -2048 to 2047."""
    codes = excited(made(sampler={"bits": 12})).sample(1.0, rate_hz=RATE, n=N, ranges_v=(2.0, 2.0, 2.0, 2.0))
    assert codes.max() == 2047 and codes.min() == -2048 and codes.dtype == np.int16


def test_the_amplifier_clips_at_its_ceiling_and_makes_harmonics() -> None:
    """Above amplifier_limit_v the third harmonic appears; the peak stays at the ceiling."""
    clean = np.abs(phasors(excited(made(), v_rms=7.0), 1.0)[0])
    clipped = np.abs(phasors(excited(made(), v_rms=14.0), 1.0)[0])
    assert clean[2] / clean[0] < 0.003 < 0.05 < clipped[2] / clipped[0]
    assert np.abs(volts(excited(made(), v_rms=14.0), 1.0)[0]).max() < 0.5 * 14.4


def test_foldback_lowers_the_level_under_load_only() -> None:
    """A stage that folds back gives less to the part and all of it to the loopback."""
    world = excited(made(generator={"foldback": True}))
    assert abs(phasors(world, 1.0)[0, 0]) < 0.8 * 4.95
    world.relays_set(2.0, frozenset({2001}))
    assert abs(phasors(world, 3.0)[0, 0]) == pytest.approx(9.9, rel=2e-3)


def test_tone_mains_crosstalk_and_silence_show_where_they_belong() -> None:
    """Pick-up sits on the outputs, crosstalk spreads, a silent channel is silent."""
    tone = volts(made(sampler={"tone_v": 0.1}), 1.0).std(axis=1)
    assert tone[2] == pytest.approx(0.1 / math.sqrt(2), rel=0.02) and tone[0] < 1e-3
    silent = volts(excited(made(sampler={"silent_channel": "sine"})), 1.0).std(axis=1)
    assert silent[2] < 1e-3 < silent[3]
    mixed = np.abs(phasors(excited(made(sampler={"crosstalk": 0.01}), relays=on((3, 1), (4, 2))), 1.0)[:, 0])
    assert mixed[2] == pytest.approx(0.01 * mixed[0], rel=0.05)


def test_a_ringing_rotor_is_sampled_as_it_swings() -> None:
    """Straight after a move the envelope of the capture moves; half a second later it stands."""
    world = excited(made(sampler={"noise_v": 0.0}))
    world.axis_move(0.0, 800, 3200, 18_000)
    end = world.axis_move(2.0, 810, 3200, 18_000)

    def wander(t_s: float) -> float:
        part = volts(world, t_s).reshape(4, 10, 300)
        return float(np.ptp(np.sqrt((part**2).mean(axis=2))[2]))

    assert wander(end) > 20 * wander(end + 1.0)


def test_interpolation_over_a_capture_equals_many_single_angles() -> None:
    """A capture of a turning rotor agrees with transfers computed at each of its instants."""
    world = excited(made(axis={"hand_turned": True}, sampler={"noise_v": 0.0, "bits": 16}))
    got = volts(world, 2.0)[2]
    t = 2.0 + np.arange(N) / (RATE * (1 + 20e-6))
    transfer = world._sampling.transfers(world._network(2.0), HZ * np.array([1.0]), world.angle_mech_rad(t))[:, 2, 0]
    fundamental = np.imag(transfer * world._source.emf_v_peak[0] * np.exp(1j * world._source.phase_rad(t)))
    assert np.sqrt(np.mean((got - fundamental) ** 2)) < 3e-3 * np.abs(got).max()


def test_a_magnetised_rotor_gives_voltage_with_speed_and_no_excitation() -> None:
    """With the source off a turning magnetised rotor shows on both outputs, a standing one does not."""
    world = made(part={"faults": {"magnetised_v_per_krpm": 5.0}})
    world.relays_set(0.0, MEASURE)
    end = world.axis_move(0.0, 3200, 3200, 18_000)
    assert volts(world, end / 2).std(axis=1)[2:].max() > 0.02
    assert volts(world, end + 5).std(axis=1)[2:].max() < 1e-3


def test_two_worlds_of_one_seed_are_equal_and_a_clamping_differs() -> None:
    """Everything is drawn from the seed and the clamping."""
    one, two, other = (excited(made(clamping=c)) for c in (1, 1, 2))
    args = {"rate_hz": RATE, "n": 500, "ranges_v": RANGES}
    assert np.array_equal(one.sample(1.0, **args), two.sample(1.0, **args))
    assert one.part.seat != other.part.seat


def test_a_capture_takes_milliseconds() -> None:
    """A sample of 4 x 3000 takes a few milliseconds on a busy machine."""
    world = excited(made())
    volts(world, 1.0)
    best = math.inf
    for i in range(10):
        since = time.perf_counter()
        world.sample(1.0 + i, rate_hz=RATE, n=N, ranges_v=RANGES)
        best = min(best, time.perf_counter() - since)
    assert best < 0.006


# ---- the meter -----------------------------------------------------------------------------------------------


def ohms(world: World, high: int, low: int, t_s: float = 0.0, **keys: Any) -> float:
    world.relays_set(t_s, on((1, high), (2, low)))
    asked = {"four_wire": True, "offset_compensation": True, "nplc": 10.0, **keys}
    return world.meter_resistance_ohm(t_s, **asked)


def test_four_wires_read_the_coil_and_two_add_the_leads() -> None:
    """Four-wire: copper at part temperature. Two-wire: meter and adapter leads more. Between coils: open."""
    world = made()
    warm = (234.5 + 22) / 254.5
    assert ohms(world, 1, 2) == pytest.approx(9.0 * warm, rel=1e-4)
    assert ohms(world, 3, 4) == pytest.approx(15.0 * warm, rel=1e-4)
    assert ohms(world, 1, 2, four_wire=False) - ohms(world, 1, 2) == pytest.approx(0.1 + 0.16, abs=0.002)
    assert ohms(world, 1, 3) == math.inf and ohms(world, 1, 15) == math.inf
    assert ohms(world, 7, 8) == pytest.approx(10_000 * math.exp(3435 * (1 / 295.15 - 1 / 298.15)), rel=1e-4)


def test_thermal_emf_turns_with_the_polarity_and_is_removed_by_compensation() -> None:
    """2 uV at 1 mA are 2 milliohm, of opposite sign in the two polarities, and gone when compensated."""
    world = made(multimeter={"noise_ppm": 0, "gain_ppm": 0})
    plain = [ohms(world, a, b, offset_compensation=False) for a, b in ((1, 2), (2, 1))]
    assert plain[0] - plain[1] == pytest.approx(4e-3, rel=1e-3)
    assert ohms(world, 1, 2) == pytest.approx(sum(plain) / 2, rel=1e-9)


def test_noise_falls_with_integration_time() -> None:
    """Ten power-line cycles scatter about a third as much as one."""
    world = made()
    spread = [np.std([ohms(world, 3, 4, nplc=n) for _ in range(200)]) for n in (1.0, 10.0)]
    assert spread[0] / spread[1] == pytest.approx(math.sqrt(10), rel=0.3)


def test_the_adapter_has_a_short_and_a_check_resistor() -> None:
    """2002 leaves the meter's leads, 2003 the check resistor."""
    world = made(multimeter={"noise_ppm": 0, "gain_ppm": 0, "emf_uv": 0})
    for relay, expected in ((2002, 0.0), (2003, 100.0)):
        world.relays_set(0.0, frozenset({relay}))
        for four_wire, lead in ((True, 0.0), (False, 0.1)):
            read = world.meter_resistance_ohm(0.0, four_wire=four_wire, offset_compensation=True, nplc=1)
            assert read == pytest.approx(expected + lead)


def test_resistance_of_an_excited_part_is_rubbish_and_its_voltage_is_seen() -> None:
    """While the source reaches the meter, ohms are wrong by far and AC volts show why."""
    world = excited(made(), relays=MEASURE | on((1, 1), (2, 2)))
    assert world.meter_ac_v(1.0) == pytest.approx(7.0, rel=5e-3)
    asked = {"four_wire": True, "offset_compensation": True, "nplc": 1.0}
    assert abs(world.meter_resistance_ohm(1.0, **asked) - 9.07) > 1.0
    world.generator_set(2.0, on=False, frequency_hz=HZ, open_circuit_v_peak=0.0)
    assert world.meter_ac_v(3.0) < 1e-4


def test_leaks_open_coils_and_contacts_are_found_by_the_meter() -> None:
    """A leak to the core reads its ohms, an open coil none, a corroded pin its extra."""
    assert ohms(made(part={"faults": {"leak_sin_core_ohm": 2e6}}), 3, 15) == pytest.approx(2e6, rel=1e-3)
    assert ohms(made(part={"faults": {"open": "cos"}}), 5, 6) == math.inf
    assert ohms(made(part={"faults": {"contact_sin_ohm": 4.0}}), 3, 4) == pytest.approx(19.118, rel=1e-3)
    assert ohms(made(part={"faults": {"leak_thermistor_ohm": 1e5}}), 7, 1) == pytest.approx(1e5, rel=1e-2)


def test_an_intermittent_coil_opens_with_temperature() -> None:
    """open_above_degc: whole when cool, open when warm; the part cools towards the air."""
    hot = made(
        part={"faults": {"open": "sin", "open_above_degc": 40}},
        climate={"part_degc": 60, "ambient_degc": 20, "part_settle_min": 10},
    )
    assert ohms(hot, 3, 4, t_s=0.0) == math.inf
    assert ohms(hot, 3, 4, t_s=600.0) == pytest.approx(15 * (234.5 + hot.part_degc(600.0)) / 254.5, rel=1e-4)


def test_moisture_leaks_that_rise_while_drying() -> None:
    """A wet part leaks between all coils and core, and the leak grows with time."""
    wet = made(part={"faults": {"moisture": 0.5}})
    first, later = ohms(wet, 1, 15, t_s=0.0), ohms(wet, 1, 15, t_s=1800.0)
    assert 1e4 < first < 1e5 and later > 3 * first


def test_another_parts_adapter_puts_coils_on_wrong_pins() -> None:
    """With a wrong adapter at least one coil is not where its pins should be, always in the same way."""
    worlds = [made(holder={"adapter": "KX9"}) for _ in range(2)]
    read = [[ohms(w, a, a + 1) for a in (1, 3, 5, 7)] for w in worlds]
    assert np.isinf(read[0]).tolist() == np.isinf(read[1]).tolist()
    right = [ohms(made(), a, a + 1) for a in (1, 3, 5, 7)]
    assert any(abs(a / b - 1) > 0.2 for a, b in zip(read[0], right, strict=True))


def test_a_live_terminal_is_seen_before_anything_is_switched_on() -> None:
    """A voltage from outside shows between its coil and the others, DC and AC, and spoils resistance."""
    world = made(wiring={"live_terminal": "sin_hi", "live_v_dc": 12.0, "live_v_ac": 1.0})
    world.relays_set(0.0, on((1, 3), (2, 1)))
    assert world.meter_dc_v(0.0, 1.0) == pytest.approx(12.0, rel=1e-4)
    assert world.meter_ac_v(0.0) == pytest.approx(1 / math.sqrt(2), rel=1e-3)
    world.relays_set(0.0, on((1, 1), (2, 5)))
    assert abs(world.meter_dc_v(0.0, 1.0)) < 1e-4


# ---- climate and interlock ---------------------------------------------------------------------------------------


def test_an_open_guard_cuts_excitation_and_motor() -> None:
    """From the moment the guard opens nothing is excited and the rotor stays."""
    world = excited(made(interlock={"guard_opens_at_s": 5.0}))
    assert world.interlock(4.0) == (True, False) and world.interlock(5.0) == (False, False)
    assert volts(world, 1.0)[0].std() > 1
    world.axis_move(4.9, 3200, 3200, 18_000)
    angle = world.angle_mech_rad(np.array([6.0, 9.0]))
    assert angle[0] == angle[1] < 1.0
    assert volts(world, 6.0)[0].std() < 1e-3
    assert made(interlock={"emergency_stop_at_s": 5.0}).interlock(10.0)[1]


def test_climate_is_the_airs_with_the_probes_error() -> None:
    """The probe reads the air, not the part."""
    world = made(climate={"ambient_degc": 21.0, "part_degc": 60.0, "probe_error_degc": 0.5})
    assert world.climate(0.0) == (21.5, 45.0)


def test_clampings_count_from_one() -> None:
    """Clamping 0 is refused."""
    with pytest.raises(UsageError):
        made(clamping=0)
