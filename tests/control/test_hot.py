"""HOT: above 45 degC of a coil or the thermistor, by what the meter read last; warns, and stops nothing."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from drivers.roles import MeterReading
from rig.control.arming.hot import hot_words, sensor_degc
from rig.control.step import Context
from rig.description.parts import load_part
from rig.resolver.thermistor import resistance_ohm
from rig.resolver.winding import degc_at

PART = load_part("KX4-2207").part()
R20_OHM = PART.coils["exc"].r20_ohm


def ohm_at(degc: float) -> float:
    """Copper's law written out apart from the product: 234.5 (IEC 60228)."""
    return R20_OHM * (234.5 + degc) / 254.5


@pytest.mark.parametrize("quantity", ["coil_resistance", "watch_resistance"])
def test_a_coil_tells_its_temperature(quantity: str) -> None:
    """Four-wire only; an open one, a bad contact and a coil without a nominal value tell none."""
    told = sensor_degc(PART, quantity, ohm_at(71.0), "exc", 4)
    assert told is not None and told[0] == "exc coil" and told[1] == pytest.approx(71.0)
    assert sensor_degc(PART, quantity, ohm_at(71.0), "exc", 2) is None
    assert sensor_degc(PART, quantity, None, "exc", 4) is None
    assert sensor_degc(PART, quantity, 1e6, "exc", 4) is None
    assert sensor_degc(PART, quantity, ohm_at(71.0), "dummy", 4) is None
    assert sensor_degc(PART, "check_resistor", ohm_at(71.0), "exc", 4) is None


def test_the_thermistor_tells_its_own() -> None:
    """By the part file's law; none off its curve."""
    law = PART.thermistor
    ohm = resistance_ohm(law.kind, 60.0, r25_ohm=law.r25_ohm, beta_k=law.beta_k)
    told = sensor_degc(PART, "thermistor_resistance", ohm, "", 4)
    assert told is not None and told == ("thermistor", pytest.approx(60.0))
    assert sensor_degc(PART, "thermistor_resistance", 1e-9, "", 4) is None


def test_hot_says_the_warmest_and_its_figure() -> None:
    """Strictly above 45 degC; a later, cooler reading of the same sensor ends it."""
    latest = {"exc coil": 44.9, "thermistor": 45.0}
    assert hot_words(latest) is None
    latest["exc coil"] = degc_at(ohm_at(71.2), R20_OHM)
    latest["thermistor"] = 52.0
    assert hot_words(latest) == "HOT: the exc coil is at 71 degC"
    latest |= {"exc coil": 44.0, "thermistor": 44.0}
    assert hot_words(latest) is None


class Lines:
    """A journal that takes lines and keeps none."""

    count = 0

    def append(self, kind: str, data: Any) -> None:
        """Nothing."""


def test_a_reading_of_a_run_sets_the_words_of_its_guard() -> None:
    """From the step's reading to what the bench line shows, and back when the part has cooled."""
    guard = SimpleNamespace(hot=None)
    quiet = SimpleNamespace(progress=lambda: None, check=lambda: None)
    clock = SimpleNamespace(stamp=lambda: (0.0, "2026-12-01T10:00:00Z"))
    bench = SimpleNamespace(guard=guard, clock=clock, watchdog=quiet, token=quiet, name=lambda role: role)
    made: dict[str, Any] = {"bench": bench, "part": PART, "holder": None, "journal": Lines(), "raw": None}
    ctx = Context(**made)
    for degc, words in ((71.0, "HOT: the exc coil is at 71 degC"), (30.0, None)):
        got = MeterReading(value=ohm_at(degc), unit="ohm", range_upper=100.0)
        ctx.read_meter("watch_resistance", got, coil="exc", range_ohm=100.0)
        assert guard.hot == words
