"""Where rotor and stack stand level, from places along the shaft."""

from __future__ import annotations

import pytest

from rig.evaluation.bench.axial import Place, level


def places(at: list[float], peak: float) -> list[Place]:
    """A tent of ten per cent a millimetre."""
    return [
        Place(axial_mm=z, ratio=0.3 * (1 - 0.02 * abs(z - peak)), l_exc=1.6e-3 * (1 - 0.1 * abs(z - peak))) for z in at
    ]


@pytest.mark.parametrize("peak", [-0.3, 0.0, 0.17])
def test_the_peak_is_found_between_the_places(peak: float) -> None:
    """Four places, two on each side, tell it within U."""
    found = level(places([-0.8, -0.4, 0.3, 0.8], peak))
    assert found is not None and found.inside
    assert found.axial_mm == pytest.approx(peak, abs=found.U_mm)
    assert found.U_mm < 0.2


def test_a_peak_beyond_the_places_is_said_to_be_beyond() -> None:
    """All places on one side: no level is claimed between them."""
    found = level(places([0.5, 0.8, 1.2], 0.0))
    assert found is not None and not found.inside


def test_two_places_tell_nothing() -> None:
    """Three at least."""
    assert level(places([0.0, 0.5], 0.2)) is None
