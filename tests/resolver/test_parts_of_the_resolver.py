"""Ellipse, nulls, loading, winding and thermistor: recovered from known truth, refused where meaningless."""

import math

import numpy as np
import pytest

from rig.errors import UsageError
from rig.resolver.thermistor import (
    resistance_ohm,
    temperature_degc,
)
from rig.resolver.turn.ellipse import fit_ellipse
from rig.resolver.turn.ratio import crossings
from rig.resolver.winding import r_at

ELEC = 4 * np.arange(320) * 2 * np.pi / 320


def pair(elec: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    half = math.radians(0.25)
    return 0.303 * np.sin(elec + half) + 0.001, 0.3 * np.cos(elec - half) - 0.002


def test_ellipse_recovers_its_figures() -> None:
    """Imbalance 1 %, nulls 90.5 deg apart, centres: back to rounding, for either direction."""
    for elec in (ELEC, -ELEC):
        found = fit_ellipse(*pair(elec))
        assert found.imbalance == pytest.approx(0.01, abs=1e-9)
        assert found.orthogonality_rad == pytest.approx(math.radians(0.5), abs=1e-9)
        assert (found.centre_u, found.centre_v) == (pytest.approx(0.001, abs=1e-9), pytest.approx(-0.002, abs=1e-9))
        assert (found.amplitude_u, found.amplitude_v) == (pytest.approx(0.303), pytest.approx(0.3))


def test_ellipse_is_free_of_the_positioner() -> None:
    """30 arcmin of positioner error at twice the electrical order leaves the imbalance at 1.000 %."""
    moved = ELEC + math.radians(0.5) * np.sin(2 * ELEC)
    assert fit_ellipse(*pair(moved)).imbalance == pytest.approx(0.01, abs=1e-9)


def test_ellipse_uncertainty_is_right() -> None:
    """The stated standard uncertainties are what repeated noise gives."""
    rng = np.random.default_rng(0)
    u, v = pair(ELEC)
    draws = [fit_ellipse(u + rng.normal(0, 1e-3, 320), v + rng.normal(0, 1e-3, 320)) for _ in range(200)]
    names = ("imbalance", "orthogonality_rad", "centre_u", "centre_v", "amplitude_u", "amplitude_v")
    for i, name in enumerate(names):
        spread = np.std([getattr(d, name) for d in draws])
        assert spread == pytest.approx(np.mean([d.u[i] for d in draws]), rel=0.2), name


def test_ellipse_of_a_dead_output_is_refused() -> None:
    """A line or a point is no ellipse."""
    for v in (np.zeros(320), np.sin(ELEC)):
        with pytest.raises(UsageError):
            fit_ellipse(np.sin(ELEC), v)
    with pytest.raises(UsageError):
        fit_ellipse(np.ones(3), np.ones(3))


def test_nulls_at_every_crossing() -> None:
    """2 p nulls, each between the grid's points, each with the quadrature that stands there."""
    mech = np.arange(320) * 2 * np.pi / 320 + 0.003
    u = np.sin(4 * mech + 0.01)
    q = 0.002 * np.cos(4 * mech) + 0.001
    found = crossings(mech, u, q, [4, 8])
    assert len(found) == 8
    for one in found:
        assert math.sin(4 * one.theta_mech_rad + 0.01) == pytest.approx(0, abs=1e-6)
        assert one.rising == (math.cos(4 * one.theta_mech_rad + 0.01) > 0)
        assert one.null == pytest.approx(abs(0.002 * math.cos(4 * one.theta_mech_rad) + 0.001), abs=1e-6)


def test_noise_does_not_make_a_null() -> None:
    """Where there is no quadrature the noise's own size is taken off the square."""
    rng = np.random.default_rng(1)
    mech = np.arange(320) * 2 * np.pi / 320
    squares = []
    for _ in range(100):
        found = crossings(mech, np.sin(4 * mech), rng.normal(0, 1e-3, 320), [4])
        squares += [one.null**2 for one in found]
        assert found[0].u_null == pytest.approx(1e-3 * math.sqrt(3 / 320), rel=0.2)
    assert np.mean(squares) < 0.75 * 1e-6 * 3 / 320


def test_no_crossing_is_refused() -> None:
    """An output that never crosses zero has no null."""
    mech = np.arange(32) * 2 * np.pi / 32
    with pytest.raises(UsageError):
        crossings(mech, 2 + np.sin(mech), np.zeros(32), [1])


@pytest.mark.parametrize(
    ("kind", "ohm"),
    [
        ("ntc", 0.0),
        ("ntc", math.inf),
        ("ntc", math.nan),
        ("ntc", 1e-6),
        ("pt1000", 10.0),
        ("pt1000", 1e5),
        ("silicon", 1e5),
        ("ptc", 100.0),
        ("none", 100.0),
    ],
)
def test_no_reading_no_temperature(kind: str, ohm: float) -> None:
    """An open, a short, a value off the curve and a kind without a curve give no temperature."""
    with pytest.raises(UsageError):
        temperature_degc(kind, ohm, r25_ohm=1000.0, beta_k=3435.0)


def test_copper_law_has_its_range() -> None:
    """A resistance is brought to another temperature within the law's range only."""
    for bad in (lambda: r_at(1.0, 300.0), lambda: r_at(1.0, math.nan)):
        with pytest.raises(UsageError):
            bad()


@pytest.mark.parametrize(("kind", "low", "high"), [("ntc", -40, 150), ("pt1000", -190, 800), ("silicon", -50, 145)])
def test_curves_invert(kind: str, low: float, high: float) -> None:
    """Resistance and temperature are inverses."""
    nominal = {"r25_ohm": 1000.0, "beta_k": 3435.0}
    for t in np.linspace(low, high, 12):
        ohm = resistance_ohm(kind, float(t), **nominal)
        assert temperature_degc(kind, ohm, **nominal) == pytest.approx(t, abs=1e-7)


def test_missing_nominals_are_named() -> None:
    """What the part file lacks is named."""
    with pytest.raises(UsageError, match="beta_k"):
        temperature_degc("ntc", 1000.0, r25_ohm=1000.0)
    with pytest.raises(UsageError, match="r25_ohm"):
        resistance_ohm("silicon", 25.0)
    for kind, t in (("silicon", 200.0), ("pt1000", 900.0), ("ptc", 25.0)):
        with pytest.raises(UsageError):
            resistance_ohm(kind, t, r25_ohm=1000.0)
