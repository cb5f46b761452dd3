"""What is plugged in place of the part, what hands do to it, and leads and contacts that fail."""

from __future__ import annotations

import cmath
import math

import numpy as np
import pytest

from drivers.simulated.world.part.air_gap import seat_of
from drivers.simulated.world.world import World
from drivers.simulated.worldfile.keys import load_world
from rig.errors import DescriptionError
from rig.resolver.dummy import SETTINGS

DRIVEN = (1301, 1402, 1503, 1604, 1705, 1806)
LINES = (2005, 2006, 2007, 2008)


def world(**settings: object) -> World:
    """good_4 with keys set otherwise; two underscores are a dot."""
    return World(load_world("good_4", {key.replace("__", "."): value for key, value in settings.items()})[0])


def ohms(at: World, high: int, low: int, t_s: float = 0.0, four_wire: bool = True) -> float:
    """The meter between two pins."""
    at.relays_set(t_s, frozenset((1100 + high, 1200 + low)))
    return at.meter_resistance_ohm(t_s, four_wire=four_wire, offset_compensation=True, nplc=10)


@pytest.mark.parametrize("setting", SETTINGS, ids=lambda s: str(s.nominal_elec_deg))
def test_the_dummy_shows_the_angle_of_its_drawing(setting: object) -> None:
    """At each setting of its lines the dummy's outputs make the computed angle to 0.3' and its ratio to 0.2 %."""
    at = world(holder__fitted="dummy")
    closed = [line for line, on in zip(LINES, setting.lines, strict=True) if on]  # type: ignore[attr-defined]
    at.relays_set(0.0, frozenset((*DRIVEN, *closed)))
    volts = at._sampling.transfers(at._network(0.0), np.array([1e4]), np.zeros(1))[0, :, 0]
    sine, cosine = volts[2:] / (volts[0] / at.file.sampler.exc_divider)
    angle = math.degrees(math.atan2(sine.real, cosine.real)) % 360.0
    drawing = math.degrees(math.atan2(setting.sine, setting.cosine)) % 360.0  # type: ignore[attr-defined]
    assert abs(angle - drawing) * 60 < 0.3
    true = math.hypot(setting.sine, setting.cosine)  # type: ignore[attr-defined]
    assert math.hypot(abs(sine), abs(cosine)) == pytest.approx(true, rel=2e-3)


def test_plug_and_open_adapter_read_as_they_are() -> None:
    """The plug joins every pin but not the core; with nothing plugged in every pair is over range."""
    plug, nothing = world(holder__fitted="shorting plug"), world(holder__fitted="nothing")
    assert ohms(plug, 1, 2) == pytest.approx(0.01, abs=1e-3)
    assert ohms(plug, 1, 6) == pytest.approx(0.01, abs=1e-3)
    assert math.isinf(ohms(plug, 1, 15))
    assert all(math.isinf(ohms(nothing, a, b)) for a, b in ((1, 2), (3, 4), (1, 3), (5, 15)))


def test_a_broken_lead_stays_with_the_adapter() -> None:
    """A broken lead opens its coil whatever is plugged in; the other coils read on."""
    for fitted in ("part", "shorting plug", "dummy"):
        at = world(holder__fitted=fitted, holder__broken_lead="sin_hi")
        assert math.isinf(ohms(at, 3, 4))
        assert ohms(at, 5, 6) < 200.0


def test_leads_that_touch_stay_with_the_adapter() -> None:
    """Bridged leads conduct with nothing plugged in."""
    at = world(holder__fitted="nothing", holder__bridged_leads=["exc_hi", "sin_hi"], holder__bridged_ohm=2e6)
    assert ohms(at, 1, 3, four_wire=False) == pytest.approx(2e6, rel=0.01)


def test_a_loose_contact_comes_and_goes_by_the_clock() -> None:
    """The contact's ohms are there in the stated stretches only, again every so often."""
    at = world(
        part__faults={
            "intermittent_sin_ohm": 50.0,
            "intermittent_s": [[1.0, 1.5]],
            "intermittent_every_s": 10.0,
        }
    )
    good = ohms(at, 3, 4, 0.5)
    assert ohms(at, 3, 4, 1.2) == pytest.approx(good + 50.0, abs=0.01)
    assert ohms(at, 3, 4, 1.6) == pytest.approx(good, abs=0.01)
    assert ohms(at, 3, 4, 11.2) == pytest.approx(good + 50.0, abs=0.01)
    assert ohms(at, 5, 6, 11.3) < good + 1.0


def test_a_nudge_moves_the_stator_from_the_index() -> None:
    """A nudge toward an angle from the index takes that much off the offset; along the shaft likewise."""
    plain, _ = load_world("off_centre_2")
    nudged, _ = load_world(
        "off_centre_2", {"holder.nudge_mm": 0.1, "holder.nudge_deg": 20.0, "holder.nudge_axial_mm": 0.3}
    )
    before, after = seat_of(plain, 1), seat_of(nudged, 1)
    moved = cmath.rect(before.offset_mm, before.offset_rad) - cmath.rect(after.offset_mm, after.offset_rad)
    assert abs(moved) == pytest.approx(0.1)
    assert cmath.phase(moved) - before.angle_mech_rad == pytest.approx(math.radians(20.0))
    assert before.axial_mm - after.axial_mm == pytest.approx(0.3)


@pytest.mark.parametrize(
    "settings", [{"holder.fited": "dummy"}, {"holder.fitted": "mirror"}, {"holder.broken_lead": "x"}]
)
def test_a_setting_that_does_not_exist_is_refused(settings: dict[str, str]) -> None:
    """Settings are checked like the file's own keys."""
    with pytest.raises(DescriptionError):
        load_world("good_4", settings)
