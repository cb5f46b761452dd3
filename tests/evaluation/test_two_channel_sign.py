"""Which sign a pair of outputs has, told by how its envelope leans: right for the small centres of good parts."""

import numpy as np
import pytest

from rig.evaluation.by_hand.two_channels import SURE, leaning_of

WINDOWS, NOISE, AMPLITUDE = 6000, 5e-4, 0.3


def envelope(rng, centre):
    """A turn by hand at an uneven speed, four electrical periods and a little more, with an oscilloscope's noise."""
    speed = 1.0 + 0.6 * np.sin(np.linspace(0.0, 5.0, WINDOWS) + rng.uniform(0.0, 6.0))
    angle = np.cumsum(speed)
    angle *= 2.0 * np.pi * 4.6 / angle[-1]
    return AMPLITUDE * (np.cos(angle + rng.uniform(0.0, 6.0)) + centre) + rng.normal(0.0, NOISE, WINDOWS)


@pytest.mark.parametrize("centre", [1.2e-3, -1.2e-3, 6e-4])
def test_the_sign_of_a_small_centre_is_found_or_said_to_be_open(centre):
    """In each of 200 turns; the two extremes alone are wrong in some of them, which is why they are not taken."""
    rng = np.random.default_rng(8)
    turns = [envelope(rng, centre) for _ in range(200)]
    leans = [leaning_of(turn) for turn in turns]
    sure = [lean for lean, u in leans if abs(lean) > SURE * u]
    assert len(sure) > 50
    assert sum(np.sign(lean) != np.sign(centre) for lean in sure) <= 2
    assert any(np.sign(turn.max() + turn.min()) != np.sign(centre) for turn in turns)


def test_half_waves_in_which_the_hand_turned_back_do_not_count():
    """As in a test by hand on the simulated bench, whose hand stopped short of two of the minima."""
    tops, bottoms = [0.2999, 0.3011, 0.2997, 0.3009], [-0.179, -0.3004, -0.3026, -0.223]
    half = np.sin(np.linspace(0.0, np.pi, 700))
    wave = np.concatenate([level * half for pair in zip(tops, bottoms, strict=True) for level in pair])
    lean, u = leaning_of(wave)
    assert abs(lean) < 3e-3 and 0.0 < u < 3e-3


def test_a_part_of_a_turn_is_sure_of_nothing():
    """A single half wave on each side: the lean has no error that is known."""
    assert leaning_of(np.linspace(-0.1, 0.3, 400))[1] == np.inf
