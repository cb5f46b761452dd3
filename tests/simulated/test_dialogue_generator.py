"""The generator's words and what its level means, held to the maker's programming reference."""

import math

import pytest
from dialogue_bench import Hand, PlainWorld, hand_on, silent

from drivers.simulated.instruments.generator import Generator
from drivers.simulated.world.safety_chain import SafetyChain


@pytest.fixture
def world() -> PlainWorld:
    return PlainWorld()


@pytest.fixture
def chain(world: PlainWorld) -> SafetyChain:
    return SafetyChain(world, silent)


@pytest.fixture
def generator(chain: SafetyChain) -> Hand:
    return hand_on(Generator(chain))


def emf_peak(world: PlainWorld) -> float:
    return float(world.orders[-1][3])


@pytest.mark.parametrize(
    ("setup", "peak_v"),
    [
        ("OUTP1:LOAD INF;:SOUR1:VOLT:UNIT VPP;:SOUR1:VOLT 2", 1.0),
        ("OUTP1:LOAD 50;:SOUR1:VOLT:UNIT VPP;:SOUR1:VOLT 2", 2.0),
        ("OUTP:LOAD INF;:VOLT:UNIT VRMS;:VOLT 3.5", 3.5 * math.sqrt(2)),
        ("OUTP:LOAD 50;:VOLT:UNIT DBM;:VOLT 0", 2 * math.sqrt(2 * 50e-3)),
        ("OUTP:LOAD 100;:VOLT 1 VRMS", 1.5 * math.sqrt(2)),
        ("OUTP:LOAD INF;:VOLT 500 MVPP", 0.25),
    ],
)
def test_the_level_means_volts_into_the_stated_load(
    generator: Hand, world: PlainWorld, setup: str, peak_v: float
) -> None:
    """Open-circuit EMF = shown level x (load + 50) / load: twice at 50 ohm, once at infinity."""
    generator.say(setup)
    generator.say("OUTP ON")
    assert world.orders[-1][:2] == ("generator", True)
    assert emf_peak(world) == pytest.approx(peak_v)
    assert generator.ask("SYST:ERR?") == '+0,"No error"'


def test_a_change_of_load_rescales_what_is_shown_and_leaves_the_output(generator: Hand, world: PlainWorld) -> None:
    """The trap: 2 Vpp at 50 ohm shows 4 Vpp at high impedance, and nothing happens at the connector."""
    generator.say("OUTP:LOAD 50;:VOLT 2;:OUTP ON")
    before = emf_peak(world)
    generator.say("OUTP:LOAD INF")
    assert float(generator.ask("VOLT?")) == pytest.approx(4.0)
    assert emf_peak(world) == before
    assert generator.ask("OUTP:LOAD?") == "+9.90000000000000E+37"


def test_the_panel_may_have_been_left_at_any_load(chain: SafetyChain) -> None:
    """The world says how somebody left it; *RST goes to 50 ohm."""
    left = hand_on(Generator(chain, math.inf))
    assert float(left.ask("OUTP1:LOAD?")) == 9.9e37
    left.say("*RST")
    assert float(left.ask("OUTP1:LOAD?")) == 50.0


@pytest.mark.parametrize(
    ("message", "query", "value"),
    [
        ("FREQ 1E9", "FREQ?", 30e6),
        ("OUTP:LOAD INF;:VOLT 50", "VOLT?", 20.0),
        ("VOLT 11", "VOLT?", 10.0),
        ("VOLT 0", "VOLT?", 1e-3),
    ],
)
def test_a_value_out_of_range_is_clipped_with_an_error(generator: Hand, message: str, query: str, value: float) -> None:
    """-222 in the queue and the nearest limit in force, as the manual says."""
    generator.say(message)
    assert generator.ask("SYST:ERR?").startswith("-222,")
    assert float(generator.ask(query)) == pytest.approx(value)


def test_minimum_and_maximum_are_words_and_no_errors(generator: Hand) -> None:
    """VOLT MAX sets it, VOLT? MAX tells it."""
    generator.say("VOLT MAX;:FREQ MIN")
    assert generator.ask("VOLT?") == generator.ask("VOLT? MAX")
    assert float(generator.ask("FREQ? MIN")) == float(generator.ask("FREQ?")) == 1e-6
    assert generator.ask("SYST:ERR?") == '+0,"No error"'


def test_dbm_into_an_open_circuit_is_a_settings_conflict(generator: Hand) -> None:
    """-221, and the unit stays as it was."""
    generator.say("OUTP:LOAD INF;:VOLT:UNIT DBM")
    assert generator.ask("SYST:ERR?").startswith("-221,")
    assert generator.ask("VOLT:UNIT?") == "VPP"


def test_nothing_is_on_before_outp_on(generator: Hand, world: PlainWorld) -> None:
    """Setting frequency and level energises nothing; *RST switches off."""
    generator.say("FREQ 10 KHZ;:VOLT 1")
    assert not any(order[1] for order in world.orders)
    generator.say("OUTP1:STAT ON")
    assert generator.ask("OUTP?;:SOUR1:FREQ?") == "1;+1.00000000000000E+04"
    generator.say("*RST")
    assert world.orders[-1][1] is False
    assert generator.ask("OUTP?") == "0"


def test_apply_sets_everything_and_switches_on(generator: Hand, world: PlainWorld) -> None:
    """APPL:SIN f, level, offset."""
    generator.say("OUTP:LOAD INF;:APPL:SIN 8 KHZ, 3.0, 0.5")
    assert world.orders[-1] == ("generator", True, 8000.0, 1.5)
    shown = generator.ask("APPL?").strip('"').removeprefix("SIN ").split(",")
    assert [float(value) for value in shown] == pytest.approx([8000.0, 3.0, 0.5])


def test_a_second_channel_does_not_exist(generator: Hand) -> None:
    """-114 header suffix out of range."""
    generator.say("SOUR2:FREQ 1000")
    assert generator.ask("SYST:ERR?").startswith("-114,")


def test_an_open_guard_cuts_the_excitation_behind_the_generators_back(
    generator: Hand, world: PlainWorld, chain: SafetyChain
) -> None:
    """The panel goes on saying ON; it takes a new setting after closing to bring the excitation back."""
    generator.say("VOLT 1;:OUTP ON")
    world.guard_closed = False
    chain.check(1.0)
    assert world.orders[-1][1] is False
    assert generator.ask("OUTP?") == "1"
    generator.say("VOLT 2")
    assert world.orders[-1][1] is False
    world.guard_closed = True
    chain.check(2.0)
    assert world.orders[-1][1] is False
    generator.say("OUTP ON")
    assert world.orders[-1][1] is True
