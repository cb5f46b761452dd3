"""The multimeter's words and times, held to the maker's programming reference."""

import math

import pytest
from dialogue_bench import Hand, PlainWorld, hand_on

from drivers.simulated.instruments.multimeter.scpi_344xx import Multimeter


@pytest.fixture
def world() -> PlainWorld:
    return PlainWorld()


@pytest.fixture
def meter(world: PlainWorld) -> Hand:
    return hand_on(Multimeter(world), terminator=b"\r\n", clear_byte=b"\x03")


@pytest.mark.parametrize(
    ("setup", "factor"),
    [
        ("CONF:RES 100;:RES:NPLC 1;:RES:ZERO:AUTO OFF", 1),
        ("CONF:RES 100;:RES:NPLC 1;:RES:ZERO:AUTO ON", 2),
        ("CONF:FRES 100;:FRES:NPLC 1", 2),
        ("CONF:FRES 100;:FRES:NPLC 1;:FRES:OCOM ON", 4),
        ("CONF:VOLT:DC 10;:VOLT:DC:NPLC 1;:VOLT:DC:ZERO:AUTO OFF", 1),
    ],
)
def test_a_conversion_takes_its_integration_time(meter: Hand, setup: str, factor: int) -> None:
    """NPLC over 50 Hz, twice for autozero or four wires, twice for offset compensation, plus 5 ms."""
    meter.say(setup)
    meter.ask("READ?")
    assert meter.t_s == pytest.approx(factor / 50.0 + 0.005)
    assert meter.ask("SYST:ERR?") == '+0,"No error"'


def test_conf_turns_offset_compensation_off(meter: Hand, world: PlainWorld) -> None:
    """It has to be switched on after CONF, never before."""
    meter.say("FRES:OCOM ON;:CONF:FRES 100")
    assert meter.ask("FRES:OCOM?;:RES:OCOM?") == "0;0"
    meter.say("FRES:OCOM ON")
    assert meter.ask("RES:OCOM?") == "1"
    meter.ask("READ?")
    assert world.orders[-1] == ("ohm", True, True, 10.0)


@pytest.mark.parametrize(
    ("ohm", "reply"),
    [
        (9.07, "+9.07000000E+00"),
        (119.9, "+1.19900000E+02"),
        (121.0, "+9.90000000E+37"),
        (math.inf, "+9.90000000E+37"),
        (-121.0, "-9.90000000E+37"),
    ],
)
def test_more_than_120_percent_of_a_fixed_range_is_overload(
    meter: Hand, world: PlainWorld, ohm: float, reply: str
) -> None:
    """9.9E37 with the sign of what was measured."""
    world.ohm = ohm
    meter.say("CONF:FRES 100")
    assert meter.ask("READ?") == reply


def test_autorange_finds_the_range_that_holds_the_value(meter: Hand, world: PlainWorld) -> None:
    """CONF without a range leaves the choice to the meter; the choice can be asked for."""
    world.ohm = 34_500.0
    meter.say("CONF:RES")
    assert meter.ask("READ?;:RES:RANG?;RANG:AUTO?") == "+3.45000000E+04;+1.00000000E+05;1"


def test_conf_is_answered_in_the_manner_of_the_34401a(meter: Hand) -> None:
    """Function, range and resolution in quotes."""
    meter.say("CONF:VOLT:DC 10,1E-5")
    assert meter.ask("CONF?;:FUNC?") == '"VOLT +1.00000000E+01,+7.00000000E-06";"VOLT"'
    meter.say('FUNC "FRES"')
    assert meter.ask("FUNC?") == '"FRES"'


def test_several_samples_come_in_one_line(meter: Hand) -> None:
    """SAMP:COUN readings, each with its own conversion."""
    meter.say("CONF:RES 100;:RES:NPLC 0.2;:SAMP:COUN 3;:INIT")
    assert meter.ask("FETC?") == ",".join(["+9.00000000E+00"] * 3)
    assert meter.t_s == pytest.approx(3 * (0.2 / 50 * 2 + 0.005))
    assert meter.ask("DATA:POIN?") == "+3"


def test_bus_trigger_waits_for_trg_and_refuses_read(meter: Hand) -> None:
    """READ? with the bus as source is a deadlock; INIT then *TRG measures."""
    meter.say("CONF:RES 100;:TRIG:SOUR BUS")
    assert meter.say("READ?") == []
    assert meter.ask("SYST:ERR?").startswith("-214")
    meter.say("INIT")
    assert meter.say("INIT") == []
    assert meter.ask("SYST:ERR?").startswith("-213")
    meter.say("*TRG")
    assert meter.ask("FETC?") == "+9.00000000E+00"


def test_a_conversion_holds_the_reply_and_what_comes_behind_it(meter: Hand) -> None:
    """The parser goes on only when the reading is out."""
    meter.say("CONF:RES 100;:RES:NPLC 10")
    assert meter.say("READ?\nFUNC?") == []
    assert meter.session.is_waiting()
    assert meter.wait(0.404) == []
    assert meter.wait(0.002) == [b"+9.00000000E+00\r\n", b'"RES"\r\n']
    assert not meter.session.is_waiting()


def test_a_device_clear_ends_a_conversion(meter: Hand) -> None:
    """Control-C on the serial line: no reply comes, and the meter listens again."""
    meter.say("CONF:RES 100;:RES:NPLC 100")
    meter.say("READ?")
    meter.t_s = 1.0
    assert meter.say(b"\x03*OPC?\n") == [b"1\r\n"]
    assert meter.wait(10.0) == []


def test_integration_times_are_those_of_the_model(meter: Hand) -> None:
    """A value between two goes to the longer one."""
    meter.say("RES:NPLC 5")
    assert meter.ask("RES:NPLC?") == "+1.00000000E+01"
    meter.say("RES:NPLC MIN")
    assert meter.ask("RES:NPLC?;:SYST:ERR?") == '+2.00000000E-02;+0,"No error"'


def test_reset_brings_back_the_state_of_switching_on(meter: Hand) -> None:
    """*RST: DC volts, autorange, ten power line cycles, immediate trigger."""
    meter.say("CONF:FRES 100;:FRES:OCOM ON;:TRIG:SOUR BUS;*RST")
    assert meter.ask("FUNC?;:FRES:OCOM?;:TRIG:SOUR?;:FRES:NPLC?") == '"VOLT";0;IMM;+1.00000000E+01'


def test_the_words_of_the_34401a_act_on_the_present_function(meter: Hand) -> None:
    """ZERO:AUTO, DET:BAND and INP:IMP:AUTO without a function's name."""
    meter.say("CONF:RES 100;:ZERO:AUTO OFF;:DET:BAND 3;:INP:IMP:AUTO ON")
    assert meter.ask("ZERO:AUTO?;:RES:ZERO:AUTO?;:VOLT:AC:BAND?;:INP:IMP:AUTO?") == "0;0;+3.00000000E+00;1"
    assert meter.ask("SYST:ERR?") == '+0,"No error"'
