"""Which sign a pair of outputs has, told by how its envelope leans: right for the small centres of good parts."""

import numpy as np
import pytest

from rig.evaluation.by_hand.two_channels import leaning_of

WINDOWS, NOISE, AMPLITUDE = 6000, 5e-4, 0.3


def envelope(rng, centre):
    """A turn by hand at an uneven speed, four electrical periods and a little more, with an oscilloscope's noise."""
    speed = 1.0 + 0.6 * np.sin(np.linspace(0.0, 5.0, WINDOWS) + rng.uniform(0.0, 6.0))
    angle = np.cumsum(speed)
    angle *= 2.0 * np.pi * 4.6 / angle[-1]
    return AMPLITUDE * (np.cos(angle + rng.uniform(0.0, 6.0)) + centre) + rng.normal(0.0, NOISE, WINDOWS)


@pytest.mark.parametrize("centre", [1.2e-3, -1.2e-3, 6e-4])
def test_the_sign_of_a_small_centre_is_found(centre):
    """In each of 200 turns; the extremes alone are wrong in some of them, which is why they are not taken."""
    rng = np.random.default_rng(8)
    turns = [envelope(rng, centre) for _ in range(200)]
    assert all(np.sign(leaning_of(turn)) == np.sign(centre) for turn in turns)
    assert any(np.sign(turn.max() + turn.min()) != np.sign(centre) for turn in turns)


def test_a_part_of_a_turn_leans_by_its_extremes():
    """Without a half wave on either side there is only one of each."""
    assert leaning_of(np.linspace(-0.1, 0.3, 400)) > 0.0
