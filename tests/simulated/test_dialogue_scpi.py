"""The common part of the SCPI dialogues, held to IEEE 488.2 and SCPI-99."""

import math

import pytest
from dialogue_bench import Hand, PlainWorld, hand_on

from drivers.simulated.instruments.multimeter.scpi_344xx import Multimeter
from drivers.simulated.instruments.scpi.words import (
    ScpiFault,
    channel_list,
    header_pattern,
    parse_number,
    split_outside,
)


@pytest.fixture
def meter() -> Hand:
    return hand_on(Multimeter(PlainWorld()))


@pytest.mark.parametrize(
    ("spelled", "known"),
    [
        ("VOLT:NPLC", True),
        ("VOLTAGE:DC:NPLCYCLES", True),
        ("SENS:VOLT:DC:NPLC", True),
        ("SENSE:VOLTAGE:NPLC", True),
        ("VOLTA:NPLC", False),
        ("VOLT:NPLCYC", False),
        ("SEN:VOLT:NPLC", False),
        ("VOLT", False),
        ("VOLT1:NPLC", False),
    ],
)
def test_headers_match_in_short_or_long_form_only(spelled: str, known: bool) -> None:
    """SCPI-99 6.2.1: nothing between the short and the long form is a header."""
    assert (header_pattern("[SENSe:]VOLTage[:DC]:NPLCycles").fullmatch(spelled) is not None) is known


def test_headers_are_case_insensitive(meter: Hand) -> None:
    """`*idn?` is answered as `*IDN?` is."""
    assert meter.ask("*idn?") == meter.ask("*IDN?") == "Keysight Technologies,34465A,SIM00001,SIM-1.0"


def test_an_unknown_header_gets_no_reply_and_one_entry(meter: Hand) -> None:
    """-113 in the queue, bit 5 of the event status register, silence on the wire."""
    meter.ask("*ESR?")
    assert meter.say("FRESIST?") == []
    assert meter.ask("*ESR?") == "+32"
    assert meter.ask("SYST:ERR?").startswith("-113,")
    assert meter.ask("SYST:ERR?") == '+0,"No error"'


def test_a_second_header_is_relative_to_the_node_of_the_first(meter: Hand) -> None:
    """SCPI-99 6.2.4, with the colon going back to the root and common commands leaving the node alone."""
    assert meter.say("FRES:NPLC 1;*OPC;RANG 1000") == []
    assert meter.ask("FRES:NPLC?;RANG?;:SYST:ERR?") == '+1.00000000E+00;+1.00000000E+03;+0,"No error"'
    assert meter.say("FRES:NPLC 1;FRES:RANG 100") == []
    assert meter.ask("SYST:ERR?").startswith("-113,")


def test_replies_of_one_message_come_in_one_line(meter: Hand) -> None:
    """Separated by semicolons, ended once."""
    assert meter.say("*IDN?;*OPC?;:SYST:ERR?") == [b'Keysight Technologies,34465A,SIM00001,SIM-1.0;1;+0,"No error"\n']


def test_the_error_queue_is_first_in_first_out_and_overflows_with_350(meter: Hand) -> None:
    """Twenty entries; the last becomes -350 when more come."""
    meter.say("FRES:NPLC 1E9")
    for _ in range(30):
        meter.say("NONSENSE")
    codes = [int(meter.ask("SYST:ERR?").split(",")[0]) for _ in range(21)]
    assert codes[0] == -222
    assert codes[1:19] == [-113] * 18
    assert codes[19:] == [-350, 0]


def test_a_command_error_drops_the_rest_of_its_message_and_an_execution_error_does_not(meter: Hand) -> None:
    """IEEE 488.2: the parser gives up on a message that it can't read."""
    assert meter.say("NONSENSE;*IDN?") == []
    assert meter.ask("*CLS;:FRES:NPLC 1E9;*OPC?") == "1"
    assert meter.ask("SYST:ERR?").startswith("-222")


def test_status_byte_sums_up_errors_and_events(meter: Hand) -> None:
    """Bit 2 error queue, bit 5 enabled event, bit 6 request for service."""
    meter.say("*CLS;*ESE 32;*SRE 32")
    assert meter.ask("*STB?") == "+0"
    meter.say("NONSENSE")
    assert meter.ask("*STB?") == f"{4 + 32 + 64:+d}"
    meter.say("*CLS")
    assert meter.ask("*STB?;*ESE?;*SRE?") == "+0;+32;+32"


def test_opc_sets_its_bit_when_the_measurement_is_complete(meter: Hand) -> None:
    """INIT is overlapped: *OPC marks its end, *ESR? shows it."""
    meter.say("*CLS;:CONF:VOLT 10;:VOLT:NPLC 10;:INIT;*OPC")
    assert meter.ask("*ESR?") == "+0"
    meter.wait(1.0)
    assert meter.ask("*ESR?") == "+1"


@pytest.mark.parametrize(
    ("message", "code"),
    [
        ("FRES:NPLC", -109),
        ("FRES:NPLC 1,2,", -103),
        ("FRES:NPLC ABC", -104),
        ("SAMP:COUN 5 V", -138),
        ("CONF:VOLT 10 HZ", -131),
        ("TRIG:SOUR MOON", -224),
        ("FRES:RANG 1E12", -222),
        ("CONF:FRES 100,1,2", -108),
        ("*TRG", -211),
        ("FETC?", -230),
    ],
)
def test_bad_parameters_are_told_by_their_standard_code(meter: Hand, message: str, code: int) -> None:
    """No reply, one entry, and the setting is as it was."""
    before = meter.ask("FRES:RANG?;NPLC?")
    assert meter.say(message) == []
    assert meter.ask("SYST:ERR?").startswith(f"{code},")
    assert meter.ask("FRES:RANG?;NPLC?") == before


def test_numbers_take_the_multipliers_of_the_standard() -> None:
    """M is milli, except before HZ and OHM where it is mega."""
    assert parse_number("10KHZ", "HZ") == 10e3
    assert parse_number("1.5 MHZ", "HZ") == 1.5e6
    assert parse_number("2 MV", "V") == 2e-3
    assert parse_number("1 MAV", "V") == 1e6
    assert math.isclose(parse_number("-.5E-3", ""), -5e-4)
    with pytest.raises(ScpiFault):
        parse_number("1,5", "")


def test_channel_lists_hold_single_channels_and_ranges() -> None:
    """Ranges run either way; anything else is a syntax error."""
    assert channel_list("(@1101,1202:1204)") == [1101, 1202, 1203, 1204]
    assert channel_list("(@3:1)") == [3, 2, 1]
    for wrong in ("1101", "(1101)", "(@1101:)", "(@a)"):
        with pytest.raises(ScpiFault):
            channel_list(wrong)


def test_separators_inside_quotes_and_lists_do_not_separate() -> None:
    """`;` in a text and `,` in a channel list belong to it."""
    assert split_outside('A "x;y";B (@1,2);C', ";") == ['A "x;y"', "B (@1,2)", "C"]


def test_a_message_may_come_in_pieces(meter: Hand) -> None:
    """Nothing is executed before its terminator, and CR before LF is no part of it."""
    assert meter.say(b"*ID") == []
    assert meter.say(b"N?\r\n*OPC?\n") == [b"Keysight Technologies,34465A,SIM00001,SIM-1.0\n", b"1\n"]
