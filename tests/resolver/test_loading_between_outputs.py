"""What one output's current does to the other: K of both kinds of stator, and what is not known."""

from __future__ import annotations

import pytest

from rig.resolver.turn.loading import between_outputs

Z_EXC = 20.0 + 60.0j


def test_outputs_that_share_no_tooth_meet_in_the_yoke_alone() -> None:
    """Eight teeth, two pole pairs: K = Z^2 / Z_gap - Z, Z_gap without copper and an eighth of leakage."""
    found = between_outputs(2, 8, Z_EXC, 9.0, [5.0 + 1.0j])
    assert found.ohm == pytest.approx(Z_EXC * (Z_EXC / (0.875 * (11.0 + 60.0j)) - 1.0))
    assert found.half_width_ohm == pytest.approx(0.15 * abs(Z_EXC))


def test_outputs_that_share_teeth_are_coupled_as_their_own_impedance_turns() -> None:
    """Ten teeth, one pole pair: what both impedances gain with the square of the ratio, on the average, less Z_exc."""
    found = between_outputs(1, 10, Z_EXC, 9.0, [5.0 + 1.0j, 7.0 - 3.0j])
    assert found.ohm == pytest.approx(6.0 - 1.0j - Z_EXC)
    assert found.half_width_ohm == pytest.approx(0.1 * abs(Z_EXC))
    unseen = between_outputs(1, 10, Z_EXC, 9.0, [])
    assert unseen.ohm == -Z_EXC
    assert unseen.half_width_ohm == pytest.approx(0.3 * abs(Z_EXC))


@pytest.mark.parametrize(
    ("pole_pairs", "teeth", "z_exc", "copper"),
    [(2, None, Z_EXC, 9.0), (0, 8, Z_EXC, 9.0), (2, 8, 10.0 + 4.0j, 9.0)],
    ids=["teeth unknown", "pole pairs unknown", "copper rules the excitation"],
)
def test_what_is_not_known_spans_both_kinds_of_stator(
    pole_pairs: int, teeth: int | None, z_exc: complex, copper: float
) -> None:
    """K of either kind lies inside."""
    found = between_outputs(pole_pairs, teeth, z_exc, copper, [])
    size = abs(z_exc)
    assert found.ohm == pytest.approx(-0.45 * z_exc)
    assert found.half_width_ohm == pytest.approx(0.65 * size)
    for either in (-1.0, 0.2):
        assert abs(either * z_exc - found.ohm) <= found.half_width_ohm * (1.0 + 1e-12)
