"""The reduced magnetic model: what a healthy part gives, and each fault found again in readings made with noise."""

import math

import numpy as np
import pytest

from rig.resolver.model import ECCENTRIC, HEALTHY, LEAKAGE, SHORTED, Design, Guess, fit_faults, ratios

DESIGN = Design(pole_pairs=4, teeth=16, r=0.1)
TURN = 2.0 * math.pi * np.arange(320) / 320


def test_a_healthy_part_gives_a_sine_and_a_cosine() -> None:
    """Of one size, without quadrature against each other, at the part's pole pairs."""
    sine, cosine = ratios(DESIGN, TURN, Guess(zero_rad=0.3))
    ideal = 4 * TURN - 0.3
    gain = np.vdot(np.cos(ideal), cosine) / 160.0
    assert np.allclose(cosine, gain * np.cos(ideal), atol=1e-9)
    assert np.allclose(sine, gain * np.sin(ideal), atol=1e-9)


def test_a_loop_without_conductance_changes_nothing() -> None:
    """An infinite resistance is no loop; a very large one nearly none."""
    bare = ratios(DESIGN, TURN, Guess())
    assert np.max(np.abs(np.array(ratios(DESIGN, TURN, Guess(tooth=3, rho=1e9))) - np.array(bare))) < 1e-8


@pytest.mark.parametrize("coil,tooth,share,rho", [("sin", 5, 0.12, 3.0), ("cos", 2, 0.25, 0.6), ("exc", 1, 0.1, 20.0)])
def test_a_shorted_tooth_is_found_again_with_its_coil_and_share(
    coil: str, tooth: int, share: float, rho: float
) -> None:
    """The tooth up to those that stand alike, the coil, and its share of turns to a tenth, through noise."""
    rng = np.random.default_rng(3)
    truth = Guess(modulation=0.45, zero_rad=1.1, tooth=tooth, rho=rho, missing=coil, share=share)
    sine, cosine = (
        0.3 * side + 1e-4 * rng.standard_normal((2, 320)).T @ [1, 1j] for side in ratios(DESIGN, TURN, truth)
    )
    best = fit_faults(DESIGN, TURN, sine, cosine)[0]
    assert best.kind == SHORTED
    assert tooth in DESIGN.alike(best.guess.tooth)
    assert best.guess.missing == coil
    assert best.guess.share == pytest.approx(share, rel=0.1)


def test_an_uneven_gap_is_found_again_with_its_size_and_direction() -> None:
    """And not taken for a shorted tooth."""
    design = Design(pole_pairs=2, teeth=8, r=0.1)
    sine, cosine = ratios(design, TURN, Guess(offset=0.2, toward_mech_rad=1.0))
    best = fit_faults(design, TURN, sine, cosine)[0]
    assert best.kind == ECCENTRIC
    assert best.guess.offset == pytest.approx(0.2, rel=0.05)
    toward = math.degrees(best.guess.toward_mech_rad - 1.0) % 180.0
    assert min(toward, 180.0 - toward) < 3.0


def test_a_healthy_turn_is_best_explained_as_healthy() -> None:
    """More free figures cost more than they bring."""
    sine, cosine = ratios(DESIGN, TURN, Guess())
    assert fit_faults(DESIGN, TURN, sine, cosine)[0].kind == HEALTHY


def test_teeth_that_stand_alike_are_named_together() -> None:
    """Sixteen teeth at four pole pairs: four electrical places of four teeth; fourteen teeth are all different."""
    assert DESIGN.alike(5) == (1, 5, 9, 13)
    assert len(DESIGN.classes()) == 4
    assert len(Design(pole_pairs=5, teeth=14, r=0.1).classes()) == 14


def test_too_few_points_are_refused() -> None:
    """A quick screen's spots are no turn."""
    with pytest.raises(ValueError, match="too few"):
        fit_faults(DESIGN, TURN[:9], TURN[:9] + 0j, TURN[:9] + 0j)


def test_off_centre_a_gap_narrows_on_one_side_and_widens_on_the_other() -> None:
    """By the gaps themselves: 1/G - e cos of the direction, tooth by tooth, leakage beside; linked as windings link."""
    design, guess = Design(pole_pairs=1, teeth=6, r=0.1), Guess(modulation=0.4, offset=0.3, toward_mech_rad=0.7)
    sine, cosine = ratios(design, np.array([0.4, 2.0, 5.1]), guess)
    for i, theta in enumerate((0.4, 2.0, 5.1)):
        permeance, exc, outs = [], [], ([], [])
        for k in range(6):
            at = 2 * math.pi * k / 6
            gap_share = (1 + 0.4 * math.cos(theta - at)) * (1 + LEAKAGE) - LEAKAGE
            permeance.append((1 / (1 / gap_share - 0.3 * math.cos(at - 0.7)) + LEAKAGE) / (1 + LEAKAGE))
            exc.append((-1) ** k)
            for out, shape in zip(outs, (math.sin, math.cos), strict=True):
                out.append((-1) ** k * shape(at))

        def linked(a: list[float], b: list[float], p: list[float] = permeance) -> float:
            alone = sum(x * w for x, w in zip(a, p, strict=True)) * sum(y * w for y, w in zip(b, p, strict=True))
            return sum(x * y * w for x, y, w in zip(a, b, p, strict=True)) - alone / sum(p)

        drop = 0.1 + 1j * linked(exc, exc) / 6
        for found, out in ((sine[i], outs[0]), (cosine[i], outs[1])):
            assert found == pytest.approx(2j / (6 * 0.4) * linked(exc, out) / drop, abs=1e-12)
