"""A witness run's figures: the dummy and the exchanged inputs show the rig's own errors and nothing of the part."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from observed_from_world import Rehearsal

from drivers.simulated.worldfile.keys import load_world
from rig.evaluation.evaluated import evaluate
from rig.observed import Observed
from rig.resolver.dummy import SETTINGS

LEVEL_V = 5.0
TERMINALS = ("exc_hi", "exc_lo", "sin_hi", "sin_lo", "cos_hi", "cos_lo")


def rehearsal(**settings: Any) -> Rehearsal:
    return Rehearsal(load_world("good_4", {key.replace("__", "."): value for key, value in settings.items()})[0])


def connected(run: Rehearsal, crossed: bool = False) -> list[int]:
    """Relays of part_connected."""
    swap = {"sin": "cos", "cos": "sin"} if crossed else {}
    rows = {t: f"{swap.get(t[:3], t[:3])}{t[3:]}" for t in TERMINALS}
    return [run.channel(row, run.part.pins[terminal]) for terminal, row in rows.items()]


def on_dummy(**settings: Any) -> Observed:
    run = rehearsal(holder__fitted="dummy", **settings)
    lines = run.bench.switch.dummy_lines
    assert lines is not None
    for setting in SETTINGS:
        run.source(False)
        run.route([*connected(run), *(line for line, on in zip(lines, setting.lines, strict=True) if on)])
        run.source(True, LEVEL_V)
        told = LEVEL_V / run.bench.generator.amplifier_gain
        run.capture("dummy", LEVEL_V, nominal_elec_deg=setting.nominal_elec_deg, generator_v_rms=told)
    return run.observed()


def exchanged(**settings: Any) -> Observed:
    run = rehearsal(**settings)
    run.world.axis_energise(True)
    for series, crossed in (("straight", False), ("crossed", True)):
        run.source(False)
        run.route(connected(run, crossed))
        run.source(True, LEVEL_V)
        for spot in range(8):
            run.t_s = run.world.axis_move(run.t_s, spot * 100, 3200.0, 20000.0) + 0.5
            run.capture(series, LEVEL_V, spot=spot)
    return run.observed()


def test_a_good_rig_reads_the_dummy_right() -> None:
    """Ratio within its U, phase within 0.12 deg, angles within the resistors' 2.8', nothing exchanged."""
    seen = evaluate(on_dummy()).dummy
    assert seen is not None
    assert abs(abs(seen.sine) - 1.0) < seen.U_gain and abs(abs(seen.cosine) - 1.0) < seen.U_gain
    assert abs(math.degrees(np.angle(seen.sine))) < 0.12
    assert float(np.abs(seen.angle_error_elec_arcmin).max()) < 2.8
    assert not seen.crossed and seen.level == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize("gain", [0.03, -0.02])
def test_a_channel_that_is_off_shows_at_the_dummy(gain: float) -> None:
    """What the sine channel gains, the dummy's sine gains, and the angles follow."""
    seen = evaluate(on_dummy(sampler__gain_error=[0.0, 0.0, gain, 0.0])).dummy
    assert seen is not None
    assert abs(seen.sine) / abs(seen.cosine) - 1.0 == pytest.approx(gain, abs=seen.U_imbalance)
    assert float(np.abs(seen.angle_error_elec_arcmin).max()) == pytest.approx(abs(gain) / 2 * 3438, rel=0.2)


def test_a_divider_that_is_off_shows_in_both_ratios() -> None:
    """A tenth more on the excitation's divider takes a tenth off both ratios, and leaves the angles."""
    seen = evaluate(on_dummy(sampler__exc_divider=0.55)).dummy
    assert seen is not None
    assert abs(seen.sine) == pytest.approx(0.5 / 0.55, abs=seen.U_gain)
    assert float(np.abs(seen.angle_error_elec_arcmin).max()) < 2.8


def test_a_skewed_channel_shows_as_phase() -> None:
    """200 ns at 10 kHz are 0.72 deg."""
    seen = evaluate(on_dummy(sampler__skew_ns=[0.0, 0.0, 200.0, 0.0])).dummy
    assert seen is not None
    assert math.degrees(np.angle(seen.sine / seen.cosine)) == pytest.approx(0.72, abs=0.05)


def test_a_lead_that_is_broken_is_silent_at_the_dummy_too() -> None:
    """The sine's chain shows nothing, the cosine's does."""
    seen = evaluate(on_dummy(holder__broken_lead="sin_hi")).dummy
    assert seen is not None
    assert not seen.alive("sin") and seen.alive("cos")


@pytest.mark.parametrize(("gain", "skew_ns"), [(0.0, 0.0), (0.02, 0.0), (0.0, 150.0)])
def test_exchanged_inputs_tell_themselves_from_the_coils(gain: float, skew_ns: float) -> None:
    """The inputs' gain and phase against each other come out within U, whatever the part's coils are."""
    run = exchanged(
        sampler__gain_error=[0.0, 0.0, gain, 0.0],
        sampler__skew_ns=[0.0, 0.0, skew_ns, 0.0],
        part__faults={"contact_cos_ohm": 20.0},
    )
    seen = evaluate(run).swap
    assert seen is not None
    assert abs(seen.gain) == pytest.approx(1.0 + gain, abs=seen.U_gain)
    assert math.degrees(np.angle(seen.gain)) == pytest.approx(skew_ns * 1e-9 * 1e4 * 360.0, abs=seen.U_phase_deg)
    assert seen.U_gain < 0.005
    assert (seen.sine_input, seen.cosine_input) == ("alive", "alive")


def test_silence_follows_the_coil_or_stays_with_the_input() -> None:
    """An open sine coil takes its silence to the other input; a dead input keeps it."""
    by_coil = evaluate(exchanged(part__faults={"open": "sin"})).swap
    by_input = evaluate(exchanged(sampler__silent_channel="sin")).swap
    assert by_coil is not None and by_input is not None
    assert by_coil.sine_input == "follows"
    assert by_input.sine_input == "dead"
