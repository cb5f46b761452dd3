"""Steps on ohms: what they ask of meter and relays, and what they put down."""

import pytest
from fake_bench import FakeWorld, context

from sequences.steps import first_looks, ohms, wiring


def test_the_pin_map_holds_every_pair_and_both_polarities_of_those_that_conduct() -> None:
    """Eight pins and the core make 36 pairs; only the four that conduct are read in both polarities."""
    world = FakeWorld()
    ctx = context(world)
    ohms.pin_map(ctx)
    forward = ctx.select("pair_resistance", polarity="+")
    assert len({(r.conditions["pin_a"], r.conditions["pin_b"]) for r in forward}) == len(forward) == 36
    back = ctx.select("pair_resistance", polarity="-")
    assert {(r.conditions["pin_a"], r.conditions["pin_b"]) for r in back} == {
        ("1", "2"),
        ("3", "4"),
        ("5", "6"),
        ("7", "8"),
    }
    assert all(
        r.overload and r.value is None
        for r in forward
        if (r.conditions["pin_a"], r.conditions["pin_b"]) == ("1", "core")
    )


def test_no_ohms_range_drives_more_than_one_milliampere_and_none_much_through_a_thermistor() -> None:
    """Ranges of 100 ohm and up, ten kiloohm and up on the thermistor."""
    world = FakeWorld()
    ctx = context(world)
    ohms.pin_map(ctx)
    ohms.coil_resistance(ctx)
    assert min(call[3] for call in world.words("multimeter")) >= 100.0
    world.calls.clear()
    ohms.thermistor(ctx)
    assert {call[3] for call in world.words("multimeter")} == {100e3}


def test_coils_are_read_four_wire_in_both_polarities_three_times_on_the_fitting_range() -> None:
    """Eighteen readings, each with its range; an open coil gets one look."""
    world = FakeWorld()
    ctx = context(world)
    ohms.pin_map(ctx)
    ohms.coil_resistance(ctx)
    readings = ctx.select("coil_resistance")
    assert len(readings) == 18
    assert {r.conditions["range_ohm"] for r in readings} == {100.0}
    assert all(r.conditions["wires"] == 4 and r.conditions["offset_compensation"] for r in readings)
    assert ctx.select("coil_resistance", coil="sin", polarity="-", repeat=3)[0].value == 15.2
    del world.ohms[frozenset((3, 4))]
    opened = context(world)
    ohms.coil_resistance(opened)
    assert len(opened.select("coil_resistance", coil="sin")) == 2
    assert all(r.overload for r in opened.select("coil_resistance", coil="sin"))


def test_a_leak_below_the_range_is_read_again_on_the_range_that_fits() -> None:
    """The journal holds one reading a pair, on the fitting range."""
    world = FakeWorld()
    world.ohms[frozenset((3, 15))] = 2.2e6
    ctx = context(world)
    ohms.leak(ctx)
    assert len(ctx.select("leak_resistance")) == 7
    assert ctx.select("leak_resistance", **{"from": "sin", "to": "core"})[0].conditions["range_ohm"] == 10e6
    assert ctx.select("leak_resistance", **{"from": "exc", "to": "core"})[0].overload


@pytest.mark.parametrize("step", [ohms.pin_map, ohms.coil_resistance, ohms.leak, first_looks.live_voltage])
def test_relays_open_before_others_close_and_are_all_open_at_the_end(step) -> None:  # type: ignore[no-untyped-def]
    """Break before make: never more closed than the look at hand needs."""
    world = FakeWorld()
    ctx = context(world)
    most = 0
    original = world.switch.close_channels

    def close(channels: list[int]) -> None:
        nonlocal most
        original(channels)
        most = max(most, len(world.switch.closed))

    world.switch.close_channels = close  # type: ignore[method-assign]
    step(ctx)
    assert not world.switch.closed
    assert most <= (9 if step is ohms.leak else 2)


def test_every_pin_is_looked_at_for_voltage_against_core_and_against_the_first() -> None:
    """Eight against the core, seven against pin 1, direct and alternating."""
    ctx = context(FakeWorld())
    first_looks.live_voltage(ctx)
    for quantity in ("pin_voltage_dc", "pin_voltage_ac"):
        found = {(r.conditions["pin_a"], r.conditions["pin_b"]) for r in ctx.select(quantity)}
        assert found == {(str(n), "core") for n in range(1, 9)} | {(str(n), "1") for n in range(2, 9)}


def test_the_reduced_map_still_sees_every_coil_and_every_short_between_coils_and_core() -> None:
    """Own pairs, one pair between any two, each to the core: fourteen looks."""
    assert len(wiring.pairs(context(FakeWorld()), every=False)) == 4 + 6 + 4
