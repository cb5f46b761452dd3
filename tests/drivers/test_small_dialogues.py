"""Binary dialogues to the byte: TMCL datagrams, relay frames, Modbus RTU; and what is made of broken ones."""

import pytest
from loop_link import LoopLink

from drivers.climate_modbus import ClimateModbus
from drivers.switch_lcus import SwitchLcus, frame
from drivers.tmcl_dialogue import Op, TmclDialogue, parse, request
from rig.errors import BadReply, InstrumentRefused, NoReply, UsageError, WrongInstrument


def test_datagrams_as_the_manual_prints_them():
    """GAP 1, MVP ABS -51200 and MST, byte for byte."""
    assert request(1, Op.GAP, 1, 0, 0).hex(" ") == "01 06 01 00 00 00 00 00 08"
    assert request(1, Op.MVP, 0, 0, -51200).hex(" ") == "01 04 00 00 ff ff 38 00 3b"
    assert request(1, Op.MST, 0, 0, 0).hex(" ") == "01 03 00 00 00 00 00 00 04"


def reply(status, op, value, module=1):
    body = bytes([2, module, status, op]) + value.to_bytes(4, "big", signed=True)
    return body + bytes([sum(body) & 0xFF])


@pytest.mark.parametrize(("value",), [(0,), (-1,), (2**31 - 1,), (-(2**31),)])
def test_signed_values(value):
    """32 bits, two's complement."""
    assert parse(reply(100, Op.GAP, value), 1, Op.GAP, "GAP") == value


@pytest.mark.parametrize(
    ("data", "kind"),
    [
        (reply(100, Op.GAP, 5)[:-1] + b"\x00", BadReply),
        (reply(100, Op.GAP, 5)[:8], BadReply),
        (reply(100, Op.SAP, 5), BadReply),
        (reply(100, Op.GAP, 5, module=2), BadReply),
        (reply(4, Op.GAP, 5), InstrumentRefused),
        (reply(1, Op.GAP, 5), InstrumentRefused),
    ],
)
def test_a_datagram_that_is_no_answer(data, kind):
    """Checksum, length, command, module and status are all looked at."""
    with pytest.raises(kind):
        parse(data, 1, Op.GAP, "GAP 1")


class Module:
    """Answers datagrams; `late` holds replies that come before the next one."""

    def __init__(self):
        self.values = {1: 640}
        self.late = []

    def __call__(self, said):
        _, op, type_, _, *rest = said[:8]
        value = int.from_bytes(bytes(rest), "big", signed=True)
        if op == Op.GAP:
            value = self.values.get(type_, 0)
        late, self.late = self.late, []
        return [*late, reply(100, op, value)]


def test_a_stale_reply_is_not_a_position():
    """A late GAP reply that lies in front of the right one is drained behind a marker."""
    module = Module()
    dialogue = TmclDialogue(LoopLink(module), "axis")
    dialogue._link.open()
    module.late = [reply(100, Op.GAP, 1)]
    assert dialogue.get(1) == 640
    dialogue._link.deliver(reply(100, Op.GAP, 7))
    assert dialogue.get(1) == 640


def test_four_readings_that_never_agree():
    """A parameter that changes with every reading is told, not guessed."""
    module = Module()
    dialogue = TmclDialogue(
        LoopLink(lambda said: (module.values.__setitem__(1, module.values[1] + 1), module(said))[1]), "axis"
    )
    dialogue._link.open()
    with pytest.raises(BadReply, match="no two alike"):
        dialogue.get(1)


def test_no_datagram():
    """Silence is NoReply with the request in words."""
    dialogue = TmclDialogue(LoopLink(lambda _said: b""), "axis")
    dialogue.deadline_s = 0.1
    dialogue._link.open()
    with pytest.raises(NoReply, match=r"axis: .*GAP 1"):
        dialogue.ask(Op.GAP, 1)


def test_relay_frames():
    """A0, relay, state, sum."""
    assert frame(1, closed=True).hex(" ") == "a0 01 01 a2"
    assert frame(1, closed=False).hex(" ") == "a0 01 00 a1"


class Board:
    """Two relays; `stuck` do not move."""

    def __init__(self, stuck=()):
        self.on = {1: False, 2: False}
        self.stuck = stuck
        self.odd = None

    def __call__(self, said):
        if said == b"\xff":
            odd, self.odd = self.odd, None
            return (
                odd
                if odd is not None
                else b"".join(b"CH%d:%s\r\n" % (n, b"ON" if on else b"OFF") for n, on in self.on.items())
            )
        if said[1] not in self.stuck:
            self.on[said[1]] = bool(said[2])
        return b""


def board(**options):
    box = Board(**options)
    driver = SwitchLcus("switch", LoopLink(box), relays=2)
    driver.open()
    return box, driver


def test_relays_of_a_board():
    """Closed, told, opened."""
    box, driver = board()
    driver.close_channels([2])
    assert driver.closed_channels() == (2,)
    assert box.on == {1: False, 2: True}
    driver.safe_state()
    assert driver.closed_channels() == ()
    with pytest.raises(UsageError):
        driver.close_channels([3])


def test_a_relay_that_sticks():
    """Is named, after a second try."""
    _, driver = board(stuck=(1,))
    with pytest.raises(InstrumentRefused, match="relay 1 stayed open"):
        driver.close_channels([1, 2])


@pytest.mark.parametrize(
    "odd", [b"CH1:ON\r\n", b"CH1:ON\r\nCH1:ON\r\n", b"CH1:O\r\nCH2:ON\r\n", b"CH1:ON\r\nCH9:ON\r\n"]
)
def test_states_that_are_not_whole(odd):
    """A part, a double, a cut or a strange line: asked again, and right then."""
    box, driver = board()
    box.odd = odd
    assert driver.closed_channels() == ()
    assert len(driver.retries) == 1


def test_something_else_is_no_board():
    """Another answer to FF is WrongInstrument."""
    with pytest.raises(WrongInstrument, match="2 relays"):
        SwitchLcus("switch", LoopLink(lambda _said: b"Grbl 1.1h\r\n"), relays=2).open()


def framed(address, body):
    """Address, body and the checksum of MODBUS over Serial Line V1.02, 6.2.2, by the polynomial."""
    data = bytes([address]) + body
    register = 0xFFFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            register = register >> 1 ^ 0xA001 if register & 1 else register >> 1
    return data + register.to_bytes(2, "little")


def test_a_request_to_the_byte():
    """Two input registers from 1; MODBUS over Serial Line V1.02, appendix B: the checksum of 02 07 is 41 12."""
    assert framed(2, b"\x07").hex(" ") == "02 07 41 12"
    _, driver = probe()
    driver.read()
    assert driver._link.sent[-1].hex(" ") == "01 04 00 01 00 02 20 0b"


class Probe:
    """Registers 1 and 2; `odd` is given once instead."""

    def __init__(self, temperature=220, humidity=450, identity=False):
        self.body = bytes([4, 4]) + temperature.to_bytes(2, "big", signed=True) + humidity.to_bytes(2, "big")
        self.odd = None

    def __call__(self, said):
        if said[1] == 0x2B:
            return framed(1, b"\xab\x01")
        odd, self.odd = self.odd, None
        return odd if odd is not None else framed(1, self.body)


def probe(**options):
    wire = Probe(**options)
    driver = ClimateModbus("climate", LoopLink(wire))
    driver.open()
    return wire, driver


@pytest.mark.parametrize(("raw", "degc"), [(220, 22.0), (-55, -5.5), (0, 0.0)])
def test_the_air_by_modbus(raw, degc):
    """Tenths, signed; a probe without identification is taken as it is."""
    _, driver = probe(temperature=raw)
    assert driver.read().temperature_degc == pytest.approx(degc)
    assert driver.identity().model == "Modbus RTU probe"


@pytest.mark.parametrize(
    "odd",
    [
        b"",
        framed(1, bytes([4, 4, 0, 220, 1, 194]))[:-1] + b"\x00",
        framed(2, bytes([4, 4, 0, 220, 1, 194])),
        framed(1, bytes([3, 4, 0, 220, 1, 194])),
        framed(1, bytes([4, 4, 0, 220, 1, 194]))[:5],
    ],
)
def test_a_frame_that_is_no_answer(odd):
    """Asked again; right then."""
    wire, driver = probe()
    wire.odd = odd
    assert driver.read().temperature_degc == pytest.approx(22.0)
    assert len(driver.retries) == 1


def test_an_exception_of_the_probe():
    """Is told with its number and not repeated."""
    wire, driver = probe()
    wire.odd = framed(1, b"\x84\x02")
    with pytest.raises(InstrumentRefused, match="illegal data address"):
        driver.read()


def test_registers_that_are_no_air():
    """A wrong scale or register shows at opening."""
    with pytest.raises(BadReply, match="no air"):
        probe(temperature=22000)
