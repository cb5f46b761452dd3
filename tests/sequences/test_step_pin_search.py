"""The search for pins on a fake bench: every pin of the holder, low level only, never on a sensor's pins."""

from __future__ import annotations

from fake_bench import FakeWorld, context

from rig.control.sequencer import StepSequence
from sequences import pins
from sequences.steps import pin_search


def test_all_pins_of_the_holder_are_measured_whatever_the_part_file_says() -> None:
    """Twelve pins and the core: 78 pairs, both polarities where something conducts; the map is the part's, not read."""
    ctx = context(FakeWorld())
    pin_search.all_pairs(ctx)
    assert len(ctx.select("pair_resistance", polarity="+")) == 78
    assert len(ctx.select("pair_resistance", polarity="-")) == 4
    assert pin_search.may_excite(ctx) == []


def test_each_coil_is_driven_at_a_volt_at_most_and_no_sensor_pin_ever_sees_the_bus() -> None:
    """Three drives of forty positions; generator level below half a volt (gain two); pins 7 to 12 stay off the bus."""
    world = FakeWorld()
    ctx = context(world)
    pin_search.all_pairs(ctx)
    world.calls.clear()
    pin_search.low_level(ctx)
    levels = [call[2] for call in world.words("generator") if call[1] in ("prepare", "level")]
    assert 0 < max(levels) <= 0.6
    on_bus = {c % 100 for call in world.words("switch") if call[1] == "close" for c in call[2] if 1300 <= c < 1900}
    assert on_bus == {1, 2, 3, 4, 5, 6}
    for number, (hi, lo) in enumerate((("1", "2"), ("3", "4"), ("5", "6")), start=1):
        readings = [r for r in ctx.readings if r.quantity == f"identify_{number}"]
        assert len(readings) == pin_search.POINTS
        assert {(r.conditions["driven_hi"], r.conditions["driven_lo"]) for r in readings} == {(hi, lo)}
    assert not world.generator.on and not world.switch.closed


def test_what_the_resistances_forbid_is_never_driven() -> None:
    """A missing coil and a coil on the core: the gate gives reasons."""
    for change in ({frozenset((5, 6)): None}, {frozenset((1, 15)): 4.0}):
        world = FakeWorld()
        for pair, ohm in change.items():
            if ohm is None:
                del world.ohms[pair]
            else:
                world.ohms[pair] = ohm
        ctx = context(world)
        pin_search.all_pairs(ctx)
        assert pin_search.may_excite(ctx)


def test_stops_of_a_turn_fold_no_pole_pair_number_onto_another() -> None:
    """Forty different steps; for one to sixteen pole pairs the largest gap stays below 75 deg electrical."""
    stops = pin_search.positions(3200)
    assert len(stops) == pin_search.POINTS and stops == sorted(stops) and 0 <= stops[0] <= stops[-1] < 3200
    for pairs in range(1, 17):
        around = sorted(stop * pairs % 3200 for stop in stops)
        gaps = [b - a for a, b in zip(around, [*around[1:], around[0] + 3200], strict=True)]
        assert max(gaps) * 360 / 3200 < 75


def test_the_sequence_measures_before_it_drives() -> None:
    """Voltage, leads, pairs with their gate, then the low level."""
    names = [step.name for step in pins.SEQUENCE.steps]
    assert isinstance(pins.SEQUENCE, StepSequence)
    assert names.index("live_voltage") < names.index("lead_zero") < names.index("all_pairs") < names.index("low_level")
    assert pins.PAIRS.gate is not None and pins.LIVE.gate is not None
