"""The other makes that a world may have, against their manuals: strict words, units, pages, datagrams, frames."""

import math
import struct

import numpy as np
import pytest
from dialogue_bench import Hand, PlainWorld, hand_on, silent

from drivers.simulated.instruments.axis_tmcl import TmclAxis
from drivers.simulated.instruments.frame_instruments import ModbusProbe, RelayBoard
from drivers.simulated.instruments.generator_models import make_generator
from drivers.simulated.instruments.multimeter.models import make_multimeter
from drivers.simulated.instruments.oscilloscope import Oscilloscope
from drivers.simulated.wires.faults import Gate
from drivers.simulated.world.safety_chain import SafetyChain
from drivers.simulated.worldfile.wire_fault import WireFault


@pytest.fixture
def world() -> PlainWorld:
    return PlainWorld()


def errors(hand: Hand) -> int:
    return int(hand.ask("SYST:ERR?").split(",")[0])


@pytest.mark.parametrize(
    ("model", "word", "code"),
    [
        ("34401A", "FRES:OCOM ON", -113),
        ("34401A", "ABOR", -113),
        ("34401A", "VOLT:AC:BAND 20", -113),
        ("34401A", "DET:BAND 20", 0),
        ("34410A", "FRES:OCOM ON", 0),
        ("34461A", "FRES:OCOM ON", -113),
        ("34465A", "FRES:OCOM ON", 0),
        ("SDM3065X", "FRES:OCOM ON", -113),
        ("DM3068", "CONF:FRES 100", -113),
        ("DMM6500", "CONF:FRES 100", -113),
        ("DMM6500", ':SENS:FUNC "FRES"', 0),
        ("DMM6500", ":SENS:FRES:RANG 5;OCOM ON", 0),
        ("DMM6500", ":SENS:FRES:RANG 1e5;OCOM ON", -221),
    ],
)
def test_what_a_meter_knows(world: PlainWorld, model: str, word: str, code: int) -> None:
    """Words that a model's manual has not are -113."""
    hand = hand_on(make_multimeter(world, model))
    hand.say(word)
    assert errors(hand) == code


def test_a_meter_with_command_sets(world: PlainWorld) -> None:
    """The 34401's words are understood once their set is chosen."""
    hand = hand_on(make_multimeter(world, "DM3068"))
    hand.say("CMDSET AGILENT")
    hand.say("CONF:FRES 100")
    assert float(hand.ask("READ?")) == 9.0


def test_a_real_reading_is_an_indefinite_block(world: PlainWorld) -> None:
    """#0, eight bytes, little-endian when swapped."""
    hand = hand_on(make_multimeter(world, "DMM6500"))
    hand.say(':FORM:DATA REAL;:FORM:BORD SWAP;:SENS:FUNC "RES"')
    replies = hand.say(":READ?")
    while not replies:
        hand.t_s = hand.session.due_s()
        replies = hand.session.run(hand.t_s)
    assert replies[0][:2] == b"#0" and struct.unpack("<d", replies[0][2:10]) == (9.0,)


def source(world: PlainWorld, model: str, load: str = "50") -> Hand:
    return hand_on(make_generator(SafetyChain(world, silent), load, model))


def test_one_channel_has_no_source_node(world: PlainWorld) -> None:
    """33220A: SOUR1 and OUTP1 are undefined headers."""
    hand = source(world, "33220A")
    hand.say("FREQ 5000")
    assert float(hand.ask("FREQ?")) == 5000.0
    hand.say("SOUR1:FREQ 5000")
    assert errors(hand) == -113


def test_the_unit_that_was_last_used(world: PlainWorld) -> None:
    """A DG starts in dBm when 50 ohm was set: 1 is 1 dBm, not 1 V."""
    hand = source(world, "DG822")
    assert hand.ask(":SOUR1:VOLT:UNIT?") == "DBM"
    assert hand.ask(":OUTP1?") == "OFF"
    hand.say(":SOUR1:VOLT 1")
    hand.say(":OUTP1 ON")
    assert world.orders[-1][3] == pytest.approx(2 * math.sqrt(2) * math.sqrt(10**0.1 * 1e-3 * 50.0), rel=1e-6)


def test_headers_and_units_in_replies(world: PlainWorld) -> None:
    """SDG: header, glued units; the load rescales what is shown; unknown words are ignored."""
    hand = source(world, "SDG2042X")
    hand.say("C1:OUTP LOAD,HZ")
    hand.say("C1:BSWV WVTP,SINE,FRQ,7000,AMPVRMS,1.414")
    hand.say("C1:OUTP ON")
    reply = hand.ask("C1:BSWV?")
    assert reply.startswith("C1:BSWV WVTP,SINE,FRQ,7000HZ,") and "AMPVRMS,1.414Vrms" in reply
    assert hand.ask("C1:OUTP?") == "C1:OUTP ON,LOAD,HZ,PLRT,NOR"
    assert hand.say("SYST:ERR?") == []
    assert world.orders[-1][1:3] == (True, 7000.0)


def test_memory_in_pages(world: PlainWorld) -> None:
    """DS1104Z: depth over twelve divisions is the rate; a page holds what was asked for; yreference is 127."""
    hand = hand_on(Oscilloscope(world))
    hand.say(":RUN")
    for word in (":ACQ:MDEP 30000", ":TIM:MAIN:SCAL 1e-2", ":TIM:MAIN:OFFS 6e-2", ":CHAN1:SCAL 2.5", ":SING", ":TFOR"):
        hand.say(word)
    assert float(hand.ask(":ACQ:SRAT?")) == pytest.approx(250e3)
    assert hand.ask(":TRIG:STAT?") == "TD"
    hand.t_s += 1.0
    assert hand.ask(":TRIG:STAT?") == "STOP"
    hand.say(":WAV:SOUR CHAN1;:WAV:MODE RAW;:WAV:FORM BYTE;:WAV:STAR 11;:WAV:STOP 20")
    preamble = [float(field) for field in hand.ask(":WAV:PRE?").split(",")]
    assert preamble[7:] == [0.1, 0.0, 127.0]
    (block,) = hand.say(":WAV:DATA?")
    assert block.startswith(b"#9000000010")
    expected = np.clip((np.arange(10, 20) - 5 >> 8) + 127, 0, 255)
    assert list(block[11:21]) == list(expected)


def datagram(op: int, type_: int, motor: int, value: int) -> bytes:
    body = struct.pack(">BBBBi", 1, op, type_, motor, value)
    return body + bytes([sum(body) & 0xFF])


def ask(hand: Hand, op: int, type_: int = 0, motor: int = 0, value: int = 0) -> tuple[int, int]:
    """(status, value) of one datagram."""
    replies = hand.say(datagram(op, type_, motor, value)) or hand.wait(0.01)
    assert len(replies) == 1 and sum(replies[0][:8]) & 0xFF == replies[0][8]
    return struct.unpack(">BBBBi", replies[0][:8])[2::2]


@pytest.fixture
def module(world: PlainWorld) -> Hand:
    return Hand(TmclAxis(SafetyChain(world, silent), Gate(), steps_per_turn=3200, microsteps=16))


def test_a_move_by_datagrams(module: Hand) -> None:
    """MVP, then position reached and the position itself."""
    assert ask(module, 4, 0, 0, 640) == (100, 640)
    assert ask(module, 6, 8)[1] == 0
    module.wait(2.0)
    assert ask(module, 6, 8) == (100, 1)
    assert ask(module, 6, 1) == (100, 640)
    ask(module, 4, 1, 0, -40)
    module.wait(2.0)
    assert ask(module, 6, 1) == (100, 600)


@pytest.mark.parametrize(
    ("op", "type_", "motor", "value", "status"),
    [(77, 0, 0, 0, 2), (6, 99, 0, 0, 3), (6, 1, 3, 0, 3), (5, 7, 0, 999, 4), (5, 3, 0, 1, 3), (4, 9, 0, 0, 3)],
)
def test_refusals_by_status(module: Hand, op: int, type_: int, motor: int, value: int, status: int) -> None:
    """Invalid command, wrong type, invalid value."""
    assert ask(module, op, type_, motor, value)[0] == status


def test_a_wrong_checksum_is_told(module: Hand) -> None:
    """Status 1; another module's address is not answered."""
    wrong = datagram(6, 1, 0, 0)[:-1] + b"\x00"
    (reply,) = module.say(wrong) or module.wait(0.01)
    assert reply[2] == 1
    other = b"\x05" + datagram(6, 1, 0, 0)[1:8]
    assert module.say(other + bytes([sum(other) & 0xFF])) + module.wait(0.01) == []


def test_a_reference_search(module: Hand, world: PlainWorld) -> None:
    """Counter zero at the mark; where it was found in the count before is parameter 197."""
    world.index_at_steps = 8.0
    ask(module, 4, 0, 0, 100)
    module.wait(2.0)
    ask(module, 13, 0)
    assert ask(module, 13, 2)[1] == 1
    module.wait(3.0)
    assert ask(module, 13, 2)[1] == 0
    assert (ask(module, 6, 197)[1], ask(module, 6, 1)[1]) == (8, 0)


def test_no_standby_current_lets_the_motor_go(module: Hand, world: PlainWorld) -> None:
    """SAP 7 = 0 releases at rest; a value holds again."""
    ask(module, 5, 7, 0, 0)
    module.wait(0.1)
    assert world.orders[-1] == ("energise", False)
    ask(module, 5, 7, 0, 32)
    assert world.orders[-1] == ("energise", True)


def test_frames_of_a_relay_board(world: PlainWorld) -> None:
    """A whole frame with the right sum switches; FF tells all states; anything else is ignored."""
    hand = Hand(RelayBoard(world, silent, [1301, 1402], Gate()))
    hand.say(b"\xa0\x02\x01\xa3")
    hand.wait(0.05)
    assert world.orders[-1] == ("relays", frozenset({1402}))
    hand.say(b"\xa0\x01\x01\x00" + b"\xa0\x03\x01\xa4")
    hand.wait(0.05)
    assert len(world.orders) == 1
    assert hand.say(b"\xff") + hand.wait(0.05) == [b"CH1:OFF\r\nCH2:ON\r\n"]


def test_a_probe_by_modbus(world: PlainWorld) -> None:
    """Registers 1 and 2 in tenths; another register is exception 2, another function exception 1."""
    hand = Hand(ModbusProbe(world, Gate()))
    (reply,) = hand.say(bytes.fromhex("010400010002200b")) + hand.wait(0.05)
    assert struct.unpack(">HH", reply[3:7]) == (220, 450)
    (reply,) = hand.say(bytes.fromhex("010400070001800b")) + hand.wait(0.05)
    assert reply[1:3] == b"\x84\x02"
    assert hand.say(bytes.fromhex("0104000100022000")) + hand.wait(0.05) == []


@pytest.mark.parametrize(
    ("kind", "value", "data", "out"),
    [
        ("text", None, b"1.5\n", b"NAN\n"),
        ("text", "", b"1.5\n", b"\n"),
        ("checksum", None, b"\x01\x02\x03", b"\x01\x02\x04"),
        ("block_short", 2, b"#14abcd\n", b"#12abcd\n"),
        ("block_long", 2, b"#14abcd\n", b"#16abcd\n"),
        ("page_short", None, b"#14abcd\n", b"#12ab\n"),
        ("block_long", 2, b"1.5\n", b"1.5\n"),
    ],
)
def test_replies_that_lie(kind: str, value: object, data: bytes, out: bytes) -> None:
    """Each does what its row says, and only to what it is about."""
    row = {"instrument": "sampler", "kind": kind} | ({} if value is None else {"value": value})
    gate = Gate("sampler", [WireFault.model_validate(row)])
    gate.message("DATA?", 0.0)
    assert [item.data for item in gate.reply(data, 0.0)] == [out]


def test_lost_characters_and_stuck_values() -> None:
    """drop_chars loses that many; stuck repeats the first answer; stale is the answer before."""
    gate = Gate("axis", [WireFault(instrument="axis", kind="drop_chars", value=2)])
    gate.message("?", 0.0)
    assert len(gate.reply(b"123456\n", 0.0)[0].data) == 5
    for kind, second in (("stuck", b"1\n"), ("stale", b"1\n")):
        gate = Gate("axis", [WireFault.model_validate({"instrument": "axis", "kind": kind})])
        for data in (b"1\n", b"2\n"):
            gate.message("X?", 0.0)
            got = gate.reply(data, 0.0)[0].data
        assert got == second


def test_settings_that_are_ignored_or_changed_by_others() -> None:
    """ignored: only settings; foreign: somebody's words first."""
    gate = Gate("generator", [WireFault(instrument="generator", kind="ignored")])
    assert (gate.message("FREQ 5", 0.0), gate.message("FREQ?", 0.0)) == ("", "FREQ?")
    gate = Gate("generator", [WireFault(instrument="generator", kind="foreign", value="FREQ 7")])
    assert gate.message("FREQ?", 0.0) == "FREQ 7;:FREQ?"
    assert gate.message("*OPC?", 0.0) == "FREQ 7;*OPC?"
