"""The dummy part's table: eight angles from resistor ratios, each reached by lines of its own."""

import math

from rig.resolver.dummy import ANGLE_ELEC_ARCMIN, CHAIN_OHM, SETTINGS


def test_every_setting_shows_the_angle_that_is_printed_on_the_box() -> None:
    """Sine over cosine is the nominal angle within a tenth of a degree, the radius the same within 1 % at all eight,
    and they are 45 deg apart all round."""
    radius = [math.hypot(s.sine, s.cosine) for s in SETTINGS]
    for setting in SETTINGS:
        angle_elec_deg = math.degrees(math.atan2(setting.sine, setting.cosine)) % 360.0
        assert abs(angle_elec_deg - setting.nominal_elec_deg) < 0.1, setting
    assert max(radius) / min(radius) < 1.01
    assert [s.nominal_elec_deg for s in SETTINGS] == list(range(10, 360, 45))


def test_lines_choose_taps_and_reverse_outputs() -> None:
    """All settings have lines of their own; S and C reverse sine and cosine and nothing else does; A and B alone choose
    how large both are."""
    assert len({s.lines for s in SETTINGS}) == len(SETTINGS) == 8
    sizes: dict[tuple[int, int], set[tuple[float, float]]] = {}
    for s in SETTINGS:
        a, b, reverse_sine, reverse_cosine = s.lines
        assert (s.sine < 0, s.cosine < 0) == (bool(reverse_sine), bool(reverse_cosine))
        sizes.setdefault((a, b), set()).add((abs(s.sine), abs(s.cosine)))
    assert all(len(found) == 1 for found in sizes.values()) and len(sizes) == 4


def moves_arcmin(sine: float, cosine: float) -> list[float]:
    """How far each of ten resistors, five a chain, turns an angle (electrical) when it is off by 0.1 %."""
    whole, angle, moves = sum(CHAIN_OHM), math.atan2(sine, cosine), []
    for which, value in enumerate((sine, cosine)):
        taps = [0.5 * sum(CHAIN_OHM[:n]) / whole for n in range(1, 5)]
        below = min(range(4), key=lambda n: abs(taps[n] - abs(value))) + 1
        for i, ohm in enumerate(CHAIN_OHM):
            extra = 0.001 * ohm
            new = math.copysign(0.5 * (sum(CHAIN_OHM[:below]) + extra * (i < below)) / (whole + extra), value)
            turned = math.atan2(new, cosine) if which == 0 else math.atan2(sine, new)
            moves.append(math.degrees(abs(math.remainder(turned - angle, 2 * math.pi))) * 60.0)
    return moves


def test_resistors_of_a_tenth_of_a_percent_move_an_angle_by_what_is_stated() -> None:
    """Independent and rectangular they scatter the eight angles by 0.65 arcmin, as the box's page says; the stated 2.8
    arcmin are more than three times the scatter of the worst angle and less than all ten resistors at their worst."""
    scatter = [math.sqrt(sum(m * m for m in moves_arcmin(s.sine, s.cosine)) / 3.0) for s in SETTINGS]
    assert abs(math.sqrt(sum(u * u for u in scatter) / 8.0) - 0.65) < 0.01
    assert 3.0 * max(scatter) < ANGLE_ELEC_ARCMIN < max(sum(moves_arcmin(s.sine, s.cosine)) for s in SETTINGS)
