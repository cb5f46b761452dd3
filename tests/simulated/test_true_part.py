"""The magnetic circuit of the true part: physics that must hold, and the figures it was designed to."""

from __future__ import annotations

import math
import time
from typing import Any

import numpy as np
import pytest

from drivers.simulated.world.part.air_gap import MU0
from drivers.simulated.world.part.circuit import TruePart, turns_table
from drivers.simulated.world.part.network import GROUND, CoilBranch, Iron, Network
from drivers.simulated.world.truth import truth
from drivers.simulated.worldfile.keys import WorldFile


def world(**keys: Any) -> WorldFile:
    return WorldFile.model_validate(keys)


def clamped(**keys: Any) -> dict[str, Any]:
    values: dict[str, Any] = truth(world(**keys))["as_clamped"]
    return values


def orders_elec(**keys: Any) -> dict[int, float]:
    """Order per turn -> electrical arcminutes."""
    file = world(**keys)
    found = truth(file)["orders_mech_arcmin"]
    return {int(n): v["amplitude"] * file.part.pole_pairs for n, v in found.items()}


ROUND = {"centring_sigma_mm": 0, "axial_sigma_mm": 0, "angle_sigma_deg": 0}


# ---- the network ---------------------------------------------------------------------------------------------


def test_a_voltage_divider_and_an_rc_corner_are_exact() -> None:
    """The solver finds the textbook divider and the RC low-pass."""
    network = Network()
    network.source("a", GROUND, 1000.0)
    network.resistor("a", "b", 2000.0)
    network.capacitor("b", GROUND, 1e-9)
    hz = 1 / (2 * math.pi * 3000.0 * 1e-9)
    iron = Iron(permeance_h=np.ones((1, 2)), leakage_h=0.0, loss_tan=0.0)
    solved = network.solve_ac(np.array([hz]), iron)
    assert complex(solved.across("b", GROUND)[0, 0]) == pytest.approx(1 / (1 + 1j), rel=1e-6)
    network.resistor("b", GROUND, 3000.0)
    assert network.resistance_ohm("b", GROUND) == pytest.approx(1500.0)


def test_two_coils_on_one_tooth_are_a_transformer() -> None:
    """Open-circuit ratio of two coils on the same teeth is their turns ratio when copper and leakage are nothing."""
    network = Network()
    network.source("p", GROUND, 1e-6)
    shape = np.array([1.0, -1.0])
    network.coil(CoilBranch(high="p", low=GROUND, turns=10 * shape, ohm=1e-9))
    network.coil(CoilBranch(high="s", low=GROUND, turns=30 * shape, ohm=1e-9))
    iron = Iron(permeance_h=np.full((3, 2), 1e-7), leakage_h=0.0, loss_tan=0.0)
    solved = network.solve_ac(np.array([1e3, 1e4]), iron)
    ratio = solved.across("s", GROUND) / solved.across("p", GROUND)
    assert np.abs(ratio - 3).max() < 1e-4


# ---- the iron ------------------------------------------------------------------------------------------------


def test_inductance_is_reciprocal_and_stores_positive_energy_at_every_angle() -> None:
    """L is symmetric and positive definite at every angle, also off centre, tilted and with runout."""
    faults = {"static_offset_mm": 0.1, "runout_mm": 0.05, "tilt_mrad": 10, "weak_lobe": 2, "weak_lobe_fraction": 0.4}
    part = TruePart(world(part={"teeth": 14, "faults": faults}), 1)
    turns = np.stack([part.turns[c] for c in ("exc", "sin", "cos")], axis=1)
    inductance = part.iron(np.linspace(0, 2 * math.pi, 97)).inductance_h(turns)
    assert np.abs(inductance - inductance.transpose(0, 2, 1)).max() < 1e-12
    assert np.linalg.eigvalsh(inductance.real).min() > 0


def test_a_round_rotor_gives_the_permeance_of_a_plain_gap() -> None:
    """Without lobes P = mu0 A / g on every tooth; the leak is its stated fraction."""
    file = world(part={"lobe_mm": 0.0, "gap_scatter": 0.0}, holder=ROUND)
    part = TruePart(file, None)
    area = 0.64 * 2 * math.pi / 16 * 32e-3 * 9e-3
    expected = MU0 * area / 0.7e-3
    assert part.gap.permeance_h(np.array([0.3])) == pytest.approx(expected, rel=1e-12)
    assert part.gap.leakage_permeance_h == pytest.approx(0.15 * expected)


def test_lobes_are_cosines_of_permeance() -> None:
    """A tooth's permeance over a turn holds the lobe order and next to nothing of its double."""
    part = TruePart(world(part={"gap_scatter": 0.0}), None)
    theta = 2 * math.pi * np.arange(256) / 256
    spectrum = np.abs(np.fft.rfft(part.gap.permeance_h(theta)[:, 0]))
    assert spectrum[8] < 1e-9 * spectrum[4]
    gap = TruePart(world(part={"gap_scatter": 0.0, "lobe_shape": "gap"}), None)
    spectrum = np.abs(np.fft.rfft(gap.gap.permeance_h(theta)[:, 0]))
    assert spectrum[8] > 0.15 * spectrum[4]


@pytest.mark.parametrize(("p", "teeth"), [(4, 16), (4, 14), (2, 8), (2, 10), (3, 14), (1, 8), (5, 24), (6, 20)])
def test_turns_are_whole_and_outputs_do_not_couple_at_a_uniform_gap(p: int, teeth: int) -> None:
    """Sine and cosine turns are whole numbers whose products with the excitation's sum to zero."""
    turns = turns_table(p, teeth, 24, 32)
    assert float(turns["exc"].sum()) == 0
    for coil in ("sin", "cos"):
        assert np.all(turns[coil] == np.rint(turns[coil]))
        assert float(turns["exc"] @ turns[coil]) == 0
        wanted = 32 * (np.sin if coil == "sin" else np.cos)(2 * math.pi * p * np.arange(teeth) / teeth)
        assert np.abs(np.abs(turns[coil]) - np.abs(wanted)).max() <= 1.0


# ---- the figures of the design ----------------------------------------------------------------------------------


def test_the_default_part_has_the_values_of_its_design() -> None:
    """TR about 0.30, |Z| about 103 ohm, 68 mA at 7 V rms, outputs leading by about 5 degrees."""
    found = clamped()
    assert found["tr_sin"] == pytest.approx(0.30, abs=0.005)
    assert found["z_exc_mod"] == pytest.approx(103.5, abs=1.0)
    assert found["i_exc_rms"] == pytest.approx(0.068, abs=0.001)
    assert found["phase_sin_deg"] == pytest.approx(5.0, abs=0.3)
    assert (found["pole_pairs"], found["direction"]) == (4, 1)


def test_good_parts_differ_by_seed_and_stay_good() -> None:
    """Half a percent of gap scatter makes a median maximum error of some 10 to 20 electrical arcminutes."""
    worst = [clamped(seed=seed)["error_max_elec_arcmin"] for seed in range(1, 26)]
    assert 8 < np.median(worst) < 20 and max(worst) < 45


def test_a_plain_cosine_gap_is_a_poor_design() -> None:
    """With lobes that are cosines of the gap 4 x 16 has tens of arcminutes at order 16, and 4 on 12 degrees."""
    poor = {"lobe_shape": "gap", "gap_scatter": 0.0}
    assert 30 < orders_elec(part=poor, holder=ROUND)[16] < 60
    assert clamped(part={**poor, "teeth": 12})["error_max_elec_arcmin"] > 5 * 60


def test_on_fourteen_teeth_off_centre_shows_at_order_twelve() -> None:
    """0.1 mm static offset on 4 x 14 brings order 12, which the centred part lacks; 4 x 16 hardly shows it."""
    base = {"teeth": 14, "gap_scatter": 0.0}
    off = {**base, "faults": {"static_offset_mm": 0.1}}
    assert 5 < orders_elec(part=off, holder=ROUND)[12] < 30
    assert orders_elec(part=base, holder=ROUND).get(12, 0.0) < 0.1
    sixteen = {"gap_scatter": 0.0, "faults": {"static_offset_mm": 0.1}}
    assert clamped(part=sixteen, holder=ROUND)["error_max_elec_arcmin"] < 10


@pytest.mark.parametrize("teeth", [14, 16, 18, 20, 24])
def test_direction_is_positive_on_every_tooth_count(teeth: int) -> None:
    """Alternating excitation needs alternating output turns: the angle rises with the rotor for any teeth."""
    found = clamped(part={"teeth": teeth})
    assert (found["direction"], found["pole_pairs"]) == (1, 4)
    assert found["error_max_elec_arcmin"] < 60


def test_output_turns_without_alternation_turn_the_direction_round() -> None:
    """The trap: on teeth = 4 p plain output turns keep the ratio and reverse direction."""
    found = {}
    for teeth in (14, 16):
        part = TruePart(world(part={"teeth": teeth, "gap_scatter": 0.0}), None)
        sign = np.where(np.arange(teeth) % 2 == 0, 1.0, -1.0)
        turns = np.stack([part.turns["exc"], sign * part.turns["sin"], sign * part.turns["cos"]], axis=1)
        inductance = part.iron(2 * math.pi * np.arange(400) / 400).inductance_h(turns).real
        u, v = inductance[:, 0, 1] / inductance[:, 0, 0], inductance[:, 0, 2] / inductance[:, 0, 0]
        wave = np.unwrap(np.arctan2(np.append(u, u[0]), np.append(v, v[0])))
        found[teeth] = (round((wave[-1] - wave[0]) / (2 * math.pi)), float(np.hypot(u, v).mean()))
    assert found[16][0] == -4 and found[16][1] > 0.2
    assert found[14][0] != 4


# ---- faults ---------------------------------------------------------------------------------------------------


def test_swapped_and_reversed_leads_show_in_direction_and_zero_only() -> None:
    """A swap or one reversed output reverses the direction; a reversed excitation moves the zero by 180 degrees."""
    good = clamped()
    for name in ("swap_sin_cos", "reverse_sin", "reverse_cos"):
        bad = clamped(part={"faults": {name: True}})
        assert bad["direction"] == -1
        assert bad["error_max_elec_arcmin"] == pytest.approx(good["error_max_elec_arcmin"], rel=1e-6)
    turned = clamped(part={"faults": {"reverse_exc": True}})
    assert turned["direction"] == 1
    assert (turned["zero_elec_deg"] - good["zero_elec_deg"]) % 360 == pytest.approx(180, abs=1e-6)


def test_a_closed_loop_costs_several_times_what_missing_turns_cost() -> None:
    """Shorted turns: small in resistance, large in the angle, marked by quadrature; missing turns are far milder."""
    short = {"shorted_coil": "sin", "shorted_tooth": 2, "shorted_turns": 8}
    loop = clamped(part={"faults": {**short, "short_ohm": 0.0}})
    missing = clamped(part={"faults": {**short, "short_ohm": 1e9}})
    good = clamped()
    extra = missing["error_max_elec_arcmin"] - good["error_max_elec_arcmin"]
    assert loop["error_max_elec_arcmin"] > 3 * extra
    assert loop["quadrature_sin"] > 20 * missing["quadrature_sin"]
    assert loop["r20_sin"] == pytest.approx(missing["r20_sin"]) == pytest.approx(15 * (1 - 8 / 256), rel=1e-6)


def test_a_shorted_tooth_without_turns_is_the_next_that_has_some() -> None:
    """The fault is never silently absent: tooth 1 carries no sine turns on 4 x 16, tooth 2 does."""
    one = clamped(part={"faults": {"shorted_coil": "sin", "shorted_tooth": 1, "shorted_turns": 6}})
    two = clamped(part={"faults": {"shorted_coil": "sin", "shorted_tooth": 2, "shorted_turns": 6}})
    assert one["error_max_elec_arcmin"] == two["error_max_elec_arcmin"] > 100


@pytest.mark.parametrize("coil", ["exc", "sin", "cos"])
def test_an_open_coil_has_no_resistance_and_no_signal(coil: str) -> None:
    """Open: resistance null, and the outputs that need the coil are gone."""
    found = clamped(part={"faults": {"open": coil}})
    assert found[f"r20_{coil}"] is None and found[f"z_{coil}_mod"] is None
    dead = ("sin", "cos") if coil == "exc" else (coil,)
    assert all(found[f"tr_{name}"] < 1e-3 for name in dead)
    assert "error_max_elec_arcmin" not in found


def test_a_leak_between_coils_matters_only_where_a_ground_closes_the_loop() -> None:
    """Excitation to sine moves the sine's centre when both lows are grounded, hardly when all float."""
    faults = {"leak_exc_sin_ohm": 20e3}
    grounded = clamped(part={"gap_scatter": 0.0, "faults": faults}, holder=ROUND)
    floating = clamped(part={"gap_scatter": 0.0, "faults": faults}, holder=ROUND, grounds=[])
    shift = lambda found: math.hypot(found["centre_sin"], found["quadrature_sin"])  # noqa: E731
    assert shift(grounded) > 0.005
    assert shift(floating) < 0.1 * shift(grounded)
    assert grounded["leak_exc_sin"] == pytest.approx(20e3, rel=1e-3)


def test_the_place_of_a_leak_along_the_coil_matters() -> None:
    """A leak at the low end, where the coils are grounded, does nothing to the signal."""
    faults = {"leak_exc_sin_ohm": 20e3, "leak_from": 0.0, "leak_to": 0.0}
    found = clamped(part={"gap_scatter": 0.0, "faults": faults}, holder=ROUND)
    assert abs(found["centre_sin"]) < 1e-6 and found["leak_exc_sin"] is not None


def test_a_missing_rotor_leaves_no_ratio() -> None:
    """Without a rotor nothing couples and the excitation impedance drops."""
    found = clamped(part={"faults": {"rotor": "missing"}})
    assert found["tr_sin"] < 1e-3 and found["z_exc_mod"] < 60


def test_a_wrong_lobe_count_is_another_sensor() -> None:
    """Lobes = teeth - p: the count is wrong and the direction reversed."""
    found = clamped(part={"teeth": 10, "pole_pairs": 2, "lobes": 8, "gap_scatter": 0.0, "lobe_mm": 0.3})
    assert (found["pole_pairs"], found["direction"]) == (8, -1)
    assert found["tr_sin"] > 0.1


def test_the_axial_seat_lowers_both_ratios_together() -> None:
    """3 mm of axial offset lower inductance and ratios of both outputs alike."""
    good, off = clamped(holder=ROUND), clamped(holder=ROUND, part={"faults": {"axial_mm": 3.0}})
    assert off["l_exc"] < 0.75 * good["l_exc"] and off["tr_sin"] < good["tr_sin"]
    assert off["tr_imbalance"] == pytest.approx(good["tr_imbalance"], abs=1e-3)


def test_a_contact_at_a_pin_shows_in_resistance_only() -> None:
    """Some ohms at a sine pin: in r20_sin, not in ratio or angle with the outputs open."""
    good, bad = clamped(seed=3), clamped(seed=3, part={"faults": {"contact_sin_ohm": 4.0}})
    assert 3.9 < bad["r20_sin"] - good["r20_sin"] < 4.05
    assert bad["tr_sin"] == pytest.approx(good["tr_sin"], rel=1e-4)


# ---- truth ---------------------------------------------------------------------------------------------------


def test_off_centre_is_a_fault_of_the_first_clamping_only() -> None:
    """The world off_centre_2: outside in its first clamping, good centred and re-clamped."""
    first, second = truth("off_centre_2", 1), truth("off_centre_2", 2)
    assert first["as_clamped"]["error_max_elec_arcmin"] > 120
    assert first["centred"]["error_max_elec_arcmin"] < 30
    assert second["as_clamped"]["error_max_elec_arcmin"] < 30
    assert first["as_clamped"]["seat_radial_mm"] > 0.1 > second["as_clamped"]["seat_radial_mm"]


def test_truth_is_the_same_every_time_and_quick() -> None:
    """Truth of 720 angles is deterministic and takes less than half a second."""
    truth("good_4")
    since = time.perf_counter()
    one = truth("good_4")
    assert time.perf_counter() - since < 0.5
    assert one == truth("good_4")
    assert len(one["curve"]["angle_mech_deg"]) == 720


def test_the_error_curve_is_the_sum_of_its_orders() -> None:
    """The stated orders rebuild the curve."""
    found = truth("good_2")
    theta = np.radians(found["curve"]["angle_mech_deg"])
    rebuilt = sum(
        2 * v["amplitude"] * np.cos(int(n) * theta + math.radians(v["phase_deg"]))
        for n, v in found["orders_mech_arcmin"].items()
    )
    assert np.abs(rebuilt - np.array(found["curve"]["error_elec_arcmin"])).max() < 0.1
