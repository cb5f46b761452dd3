"""The uncertainty engine against published worked examples (GUM, its supplements, EA-4/02), GTC as second opinion."""

import math

import GTC
import numpy as np
import pytest
from published import agree, columns, rows

from rig.uncertainty.budget import BudgetLine, combine
from rig.uncertainty.conformity import conformance_probability, global_risk
from rig.uncertainty.evaluate import nested, rectangular, straight_line
from rig.uncertainty.monte_carlo import (
    arcsine_draw,
    joint_normal,
    normal,
    rectangular_draw,
    rectangular_inexact_draw,
    shortest_interval,
    student,
    summary,
    symmetric_interval,
    trials,
)
from rig.uncertainty.propagate import coverage_factor, effective_dof, linear


def line(influence: str, u: float, sensitivity: float = 1.0, dof: float = math.inf) -> BudgetLine:
    return BudgetLine(influence=influence, u=u, unit="1", sensitivity=sensitivity, dof=dof)


def test_gauge_block_budget() -> None:
    """GUM H.1: u = 32 nm with 16 degrees of freedom, U99 = 93 nm."""
    d = combine([line("repeat", 5.8, dof=24), line("random", 3.9, dof=5), line("systematic", 6.7, dof=8)])
    agree("h1", u_d_nm=d.u, dof_d=d.dof)
    whole = combine(
        [
            line("standard", 25, dof=18),
            line("difference", d.u, dof=d.dof),
            line("expansion difference", rectangular(1e-6), 0.1 * 50_000_623, 50),
            line("temperature difference", rectangular(0.05), -50_000_623 * 11.5e-6, 2),
        ]
    )
    dof = math.floor(whole.dof)  # the GUM truncates before it looks the factor up
    agree("h1", u_nm=whole.u, dof=dof, U99_nm=coverage_factor(dof, 0.99) * whole.u)


def impedance(x: np.ndarray) -> np.ndarray:
    v, i, phi = x
    return np.array([v / i * np.cos(phi), v / i * np.sin(phi), v / i])


def h2_inputs() -> tuple[np.ndarray, np.ndarray]:
    data = columns("gum_h2")
    sets = np.array([data["V_volt"], data["I_mA"] * 1e-3, data["phi_rad"]])
    return sets.mean(axis=1), np.cov(sets) / sets.shape[1]


def test_correlated_impedance() -> None:
    """GUM H.2: resistance, reactance and impedance keep their correlations."""
    mean, covariance = h2_inputs()
    out = linear(impedance, mean, covariance)
    r = out.correlation()
    agree("h2", R_ohm=out.value[0], X_ohm=out.value[1], Z_ohm=out.value[2])
    agree("h2", u_R=out.u[0], u_X=out.u[1], u_Z=out.u[2], r_RX=r[0, 1], r_RZ=r[0, 2], r_XZ=r[1, 2])


def test_ignoring_correlation_is_wrong() -> None:
    """GUM H.2: without correlations u(R) is 2.7 times too large; the engine shows the published wrong figures."""
    mean, covariance = h2_inputs()
    out = linear(impedance, mean, np.diag(np.diag(covariance)))
    agree("h2", u_R_uncorrelated=out.u[0], u_X_uncorrelated=out.u[1], u_Z_uncorrelated=out.u[2])


def test_dof_with_correlated_inputs() -> None:
    """Inputs observed together in five sets leave four degrees of freedom, as GTC says."""
    mean, covariance = h2_inputs()
    u = np.sqrt(np.diag(covariance))
    parts = linear(impedance, mean, covariance).jacobian[0] * u
    correlation = covariance / np.outer(u, u)
    data = columns("gum_h2")
    v, i, phi = GTC.type_a.multi_estimate_real([data["V_volt"], data["I_mA"] * 1e-3, data["phi_rad"]])
    oracle = v / i * GTC.cos(phi)
    assert effective_dof(parts, [4, 4, 4], correlation) == pytest.approx(GTC.dof(oracle), rel=1e-9) == 4
    assert math.sqrt(parts @ correlation @ parts) == pytest.approx(GTC.uncertainty(oracle), rel=1e-6)
    assert effective_dof(parts, [4, 4, 4]) != pytest.approx(4)


def test_thermometer_calibration() -> None:
    """GUM H.3: a straight line, its correlation, and its value at 30 degC."""
    data = columns("gum_h3")
    fit = straight_line(data["t_C"], data["b_C"], 20.0)
    u1, u2 = np.sqrt(np.diag(fit.covariance))
    b30, u30 = fit.at(30.0)
    agree("h3", y1=fit.intercept, u_y1=u1, y2=fit.slope, u_y2=u2, s=fit.s, b30=b30, u_b30=u30)
    agree("h3", r=fit.covariance[0, 1] / (u1 * u2))


def test_days_and_readings() -> None:
    """GUM H.5: variance between days apart from that within a day."""
    data = columns("gum_h5")
    found = nested(data["mean_V"], data["s_uV"] * 1e-6, 5)
    agree("h5", mean_V=found.mean, s_between_uV=found.s_between * 1e6, s_within_uV=found.s_within * 1e6)
    agree("h5", F=found.F, u_uV=found.u * 1e6)


def test_welch_satterthwaite_example() -> None:
    """GUM G.4.1: 0.25, 0.57 and 0.82 % with 9, 4 and 14 degrees of freedom give 19."""
    agree("g4", dof=effective_dof([0.25, 0.57, 0.82], [9, 4, 14]))


def test_resistor_calibration() -> None:
    """EA-4/02 S3: a 10 kohm resistor by comparison."""
    x = np.array([10_000.053, 0.020, 0.0, 0.0, 1.0, 1.0000105])
    u = [2.5e-3, 0.010 / math.sqrt(3), 2.75e-3 / math.sqrt(3), 5.5e-3 / math.sqrt(3), 1e-6 / math.sqrt(6), 0.07e-6]
    out = linear(lambda v: (v[0] + v[1] + v[2]) * v[4] * v[5] - v[3], x, np.diag(np.square(u)))
    agree("s3", R_ohm=out.value[0], u_ohm=out.u[0], U_ohm=2 * out.u[0])


def test_sums_by_trials() -> None:
    """JCGM 101 9.2: sums of normals, of rectangulars, and of one wide rectangular, shortest 95 % interval."""
    rng = np.random.default_rng(101)
    reach = math.sqrt(3)
    cases = {
        "mc_normals": [normal(0, 1)] * 4,
        "mc_rectangular": [rectangular_draw(0, reach)] * 4,
        "mc_one_wide": [rectangular_draw(0, reach)] * 3 + [rectangular_draw(0, 10 * reach)],
    }
    for case, draws in cases.items():
        low, high = symmetric_interval(trials(lambda *x: sum(x), draws, rng, 1_000_000), 0.95)
        agree(case, half95=0.5 * (high - low))


def test_gauge_block_by_trials() -> None:
    """JCGM 101 9.5: the gauge block's distribution is wider than the first-order law says (36 nm against 32 nm)."""
    draws = [
        student(50_000_623, 25, 18),
        student(215, 5.8, 24),
        student(0, 3.9, 5),
        student(0, 6.7, 8),
        rectangular_draw(11.5e-6, 2e-6),
        normal(-0.1, 0.2),
        arcsine_draw(0, 0.5),
        rectangular_inexact_draw(0, 1e-6, 0.1e-6),
        rectangular_inexact_draw(0, 0.05, 0.025),
    ]

    def length(ls, d, d1, d2, alpha, theta, cycle, d_alpha, d_theta):
        return ls + d + d1 + d2 - ls * (d_alpha * (theta + cycle) + alpha * d_theta) - 50_000_000

    found = summary(trials(length, draws, np.random.default_rng(95), 1_000_000), 0.99)
    agree("gauge_mc", mean_nm=found.mean, u_nm=found.u, low99_nm=found.low, high99_nm=found.high)


@pytest.mark.parametrize(
    ("x1", "names"), [(0.0, ("mean_0", "u_0")), (0.010, ("mean_010", "u_010")), (0.050, ("", "u_050"))]
)
def test_comparison_loss(x1: float, names: tuple[str, str]) -> None:
    """JCGM 101 9.4: at zero the first-order law says u = 0; trials say 50e-6."""
    rng = np.random.default_rng(94)
    found = summary(trials(lambda a, b: a**2 + b**2, [normal(x1, 0.005), normal(0, 0.005)], rng, 400_000))
    agree("loss", **{name: value for name, value in zip(names, (found.mean, found.u), strict=True) if name})
    first_order = linear(lambda v: v[0] ** 2 + v[1] ** 2, [x1, 0.0], np.diag([0.005**2] * 2)).u[0]
    assert first_order == pytest.approx(2 * x1 * 0.005, abs=1e-12)


def polar(z: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    return np.hypot(z[:, 0], z[:, 1]), np.arctan2(z[:, 1], z[:, 0])


def test_modulus_and_phase_near_zero() -> None:
    """JCGM 102 9.3: near a null the first-order law gives a phase of 10 rad uncertainty; trials give 1.744 rad."""
    rng = np.random.default_rng(102)
    variance = np.diag([1e-4, 1e-4])
    modulus, phase = polar(joint_normal([0.001, 0.0], variance)(rng, 400_000))
    agree("polar", modulus=np.mean(modulus), u_modulus=np.std(modulus), u_phase_rad=np.std(phase))
    law = linear(lambda v: np.arctan2(v[1], v[0]), [0.001, 0.0], variance, period=2 * math.pi)
    assert law.u[0] > 5
    tied = np.array([[1e-4, 0.9e-4], [0.9e-4, 1e-4]])
    _, phase = polar(joint_normal([0.001, 0.0], tied)(rng, 400_000))
    agree("polar_r", phase_rad=np.mean(phase), u_phase_rad=np.std(phase))


def test_shortest_interval_of_a_logarithm() -> None:
    """The logarithm of a rectangular input has a lopsided distribution: shortest 95 % interval [-1.895, 0.095]."""
    values = trials(np.log, [rectangular_draw(0.6, 0.5)], np.random.default_rng(5), 1_000_000)
    low, high = shortest_interval(values, 0.95)
    assert (low, high) == (pytest.approx(-1.895, abs=0.01), pytest.approx(math.log(1.1), abs=0.001))


@pytest.mark.parametrize("row", rows("coverage_factors"))
def test_coverage_factors(row: dict[str, str]) -> None:
    """k at 95.45 % and at 95 % are different numbers, and both are right."""
    assert coverage_factor(float(row["dof"])) == pytest.approx(float(row["k9545"]), abs=0.005)
    assert coverage_factor(float(row["dof"]), 0.95) == pytest.approx(float(row["k95"]), abs=0.005)


def test_conformance_probability_example() -> None:
    """JCGM 106 7.4: y 13.6, u 1.8, limits 12.5 to 16.3."""
    agree("conform", probability=conformance_probability(13.6, 1.8, 12.5, 16.3))


@pytest.mark.parametrize("row", rows("lot_risks"))
def test_lot_risks(row: dict[str, str]) -> None:
    """Global risks agree with the published examples."""
    tur, guard = float(row["tur"]), float(row["guard"])
    if row["sl"]:
        sd, u = 1 / float(row["sl"]), 0.5 / tur
    else:
        z = -float(normal_quantile(0.5 * (1 - int(row["case"][3:]) / 100)))
        sd, u = 1 / z, 1 / tur / z
    risk = global_risk(0.0, sd, u, -1.0, 1.0, 1 - guard)
    assert risk.false_accept == pytest.approx(float(row["false_accept"]), abs=float(row["tol"]) * 3)
    if row["false_reject"]:
        assert risk.false_reject == pytest.approx(float(row["false_reject"]), abs=float(row["tol"]))


def normal_quantile(p: float) -> float:
    from scipy import special

    return float(special.ndtri(p))
