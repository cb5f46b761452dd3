"""Angle error attribution, maximum statistics, grid folding and temperatures against tabulated values."""

import math

import numpy as np
import pytest
from published import columns, rows

from rig.resolver.thermistor import (
    pt_resistance,
    pt_temperature,
    resistance_ohm,
    temperature_degc,
)
from rig.resolver.turn.angle import electrical_angle
from rig.resolver.turn.error_curve import deviation
from rig.resolver.turn.grids import fold_order
from rig.resolver.turn.orders import fit_orders
from rig.resolver.winding import r_at
from rig.uncertainty.rounding import round_result


def centred_error(theta_elec_rad, theta_mech_rad, pole_pairs, direction):  # type: ignore[no-untyped-def]
    """(n,) error in electrical rad, its mean over the points taken off."""
    curve, _ = deviation(theta_elec_rad, theta_mech_rad, pole_pairs, direction)
    return curve - np.mean(curve)


ARCMIN = math.degrees(1) * 60
THERMAL = {row["case"]: float(row["value"]) for row in rows("thermal")}


def envelopes(cause: str, size: float, elec: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    u, v = np.sin(elec), np.cos(elec)
    harmonic = {"third": 3, "fifth": 5, "seventh": 7}
    if cause == "imbalance":
        return (1 + size) * u, v
    if cause == "orthogonality_deg":
        half = math.radians(size) / 2
        return np.sin(elec + half), np.cos(elec - half)
    if cause == "offset_sin":
        return u + size, v
    if cause == "crosstalk":
        return u + size * v, v + size * u
    n = harmonic[cause]
    return u + size * np.sin(n * elec), v + size * np.sin(n * (elec + np.pi / 2))


@pytest.mark.parametrize("row", rows("attribution"))
def test_attribution(row: dict[str, str]) -> None:
    """A fault of the envelopes shows at its own electrical order with its own size."""
    mech = np.arange(320) * 2 * np.pi / 320
    u, v = envelopes(row["cause"], float(row["size"]), 4 * mech)
    curve = centred_error(electrical_angle(u, v), mech, 4, 1)
    found = fit_orders(mech, curve, [4 * k for k in range(1, 9)])
    order = 4 * int(row["order"])
    assert found.amplitude(order) * ARCMIN == pytest.approx(float(row["peak_arcmin"]), abs=0.02)
    assert max(found.amplitude(n) for n in found.orders if n != order) < 0.05 * found.amplitude(order)


def test_imbalance_closed_form() -> None:
    """The imbalance's own maximum is asin(a / (2 + a)): 83.86 arcmin for 5 %."""
    mech = np.arange(3200) * 2 * np.pi / 3200
    curve = centred_error(electrical_angle(1.05 * np.sin(4 * mech), np.cos(4 * mech)), mech, 4, 1)
    assert np.max(np.abs(curve)) == pytest.approx(math.asin(0.05 / 2.05), rel=1e-4)


@pytest.mark.parametrize("row", rows("raw_maximum"))
def test_raw_maximum_of_noise(row: dict[str, str]) -> None:
    """The raw maximum of nothing but noise is 2.4 to 3.6 sigma: why it is never the certificate's figure."""
    draws = np.abs(np.random.default_rng(4).standard_normal((4000, int(row["points"])))).max(axis=1)
    assert np.mean(draws) == pytest.approx(float(row["expected_sigma"]), abs=0.03)


@pytest.mark.parametrize("row", rows("grid_folding"))
def test_grid_folding_table(row: dict[str, str]) -> None:
    """A stepper order shows on the grid where sampling folds it to, phase and all."""
    points, order, at = (int(row[key]) for key in ("points", "order", "folded"))
    assert fold_order(order, points) == at
    theta = np.arange(points) * 2 * np.pi / points
    assert np.cos(order * theta) == pytest.approx(np.cos(at * theta), abs=1e-9)


def test_platinum_table() -> None:
    """IEC 60751: the formula meets the table within half its last digit, and is inverted both below and above zero."""
    table = columns("iec60751_pt100")
    for t, published, formula in zip(table["t_C"], table["R_ohm_published_2dp"], table["R_ohm_formula"], strict=True):
        assert pt_resistance(t, 100.0) == pytest.approx(published, abs=0.0051)
        assert pt_resistance(t, 100.0) == pytest.approx(formula, abs=1e-6)
        assert pt_temperature(pt_resistance(t, 100.0), 100.0) == pytest.approx(t, abs=1e-8)
    assert pt_temperature(108.5, 100.0) == pytest.approx(21.8189, abs=5e-5)


@pytest.mark.parametrize(
    ("case", "beta", "t"),
    [
        ("beta3977_r85", 3977, 85),
        ("beta3977_r50", 3977, 50),
        ("beta3977_r0", 3977, 0),
        ("beta3435_r50", 3435, 50),
        ("beta3435_r0", 3435, 0),
        ("beta3435_r125", 3435, 125),
    ],
)
def test_beta_law(case: str, beta: float, t: float) -> None:
    """The beta law through 10 kohm at 25 degC."""
    ohm = resistance_ohm("ntc", t, r25_ohm=10_000, beta_k=beta)
    assert ohm == pytest.approx(THERMAL[case], rel=2e-4)
    assert temperature_degc("ntc", ohm, r25_ohm=10_000, beta_k=beta) == pytest.approx(t, abs=1e-9)


def test_copper_examples() -> None:
    """IEC 60228: factor to 20 degC; published multipliers against 25 degC."""
    assert r_at(1.0, 25.0) == pytest.approx(THERMAL["cu_factor_25"], abs=5e-7)
    assert r_at(12.5, 25.0) == pytest.approx(THERMAL["cu_12p5_25"], abs=5e-5)
    for t in (80, 150):
        assert r_at(1.0, 25.0, t) == pytest.approx(THERMAL[f"cu_multiplier_{t}"], abs=5e-4)


@pytest.mark.parametrize("row", rows("rounding"))
def test_gum_rounding_examples(row: dict[str, str]) -> None:
    """GUM 7.2.6: 10.47 -> 11, 28.05 -> 28, and the estimate follows U's last decimal."""
    assert round_result(float(row["estimate"]), float(row["U"])) == (row["printed_estimate"], row["printed_U"])
