"""Switch box, interlock, encoder display, climate probe: their words."""

from collections.abc import Iterator

import pytest
from dialogue_bench import Hand, PlainWorld, hand_on

from drivers.simulated.instruments.line_instruments import ClimateProbe, EncoderDisplay, LineSession
from drivers.simulated.instruments.switch_box import SwitchBox
from drivers.simulated.wires.faults import Gate


@pytest.fixture
def world() -> PlainWorld:
    return PlainWorld()


@pytest.fixture
def events() -> list[tuple[str, object]]:
    return []


@pytest.fixture
def box(world: PlainWorld, events: list[tuple[str, object]]) -> Iterator[Hand]:
    def emit(_bench_s: float, event: str, **facts: object) -> None:
        events.append((event, facts.get("closed")))

    yield hand_on(SwitchBox(world, emit))


def test_relays_close_one_after_the_other(box: Hand, world: PlainWorld) -> None:
    """3 ms a relay; *OPC? waits for them."""
    assert box.ask("ROUT:CLOS (@1101,1202:1204);*OPC?") == "1"
    assert box.t_s == pytest.approx(4 * 0.003)
    assert world.orders[-1] == ("relays", frozenset({1101, 1202, 1203, 1204}))
    assert box.ask("ROUT:CLOS? (@1101:1103);:ROUT:OPEN? (@1101,1103)") == "1,0,0;0,1"


def test_open_all_opens_everything_and_is_logged(box: Hand, events: list[tuple[str, object]]) -> None:
    """The log says which relays are closed after each change, and nothing when nothing moved."""
    box.say("ROUT:CLOS (@1815,2001)")
    box.ask("ROUT:OPEN:ALL;*OPC?")
    box.ask("ROUT:OPEN:ALL;*OPC?")
    assert events == [("relays", [1815, 2001]), ("relays", [])]


def test_opening_one_and_closing_exclusively(box: Hand, world: PlainWorld) -> None:
    """ROUT:OPEN leaves the others, ROUT:CLOS:EXCL does not."""
    box.ask("ROUT:CLOS (@1101,1102);:ROUT:OPEN (@1101);*OPC?")
    assert world.orders[-1] == ("relays", frozenset({1102}))
    box.ask("ROUT:CLOS:EXCL (@2003);*OPC?")
    assert world.orders[-1] == ("relays", frozenset({2003}))


@pytest.mark.parametrize("channel", [1117, 1901, 2033, 3001, 101])
def test_a_channel_that_is_not_there_is_refused_whole(box: Hand, world: PlainWorld, channel: int) -> None:
    """No relay of the list moves."""
    box.say(f"ROUT:CLOS (@1101,{channel})")
    assert box.ask("SYST:ERR?").split(",")[0] in ("+303", "+305")
    assert world.orders == []


@pytest.mark.parametrize(
    ("guard_closed", "emergency_stop", "byte"),
    [(True, False, "+1"), (False, False, "+0"), (True, True, "+3"), (False, True, "+2")],
)
def test_the_interlock_byte(box: Hand, world: PlainWorld, guard_closed: bool, emergency_stop: bool, byte: str) -> None:
    """Bit 0 guard closed, bit 1 emergency stop pressed."""
    world.guard_closed, world.emergency_stop = guard_closed, emergency_stop
    assert box.ask("SENS:DIG:DATA:BYTE? (@5101)") == byte
    assert box.ask("DIG:DATA:BYTE? (@5101,5102)") == f"{byte},+0"


def test_the_box_tells_its_cards(box: Hand) -> None:
    """SYST:CTYP? slot by slot."""
    assert ",34932A,SIM" in box.ask("SYST:CTYP? 1")
    assert box.ask("SYST:CTYP? 8") == "NONE,0,0,0"


def test_the_encoder_display_answers_escape_commands(world: PlainWorld) -> None:
    """Sign, blanks, five decimals, CR LF; identification with the simulated serial; silence for the rest."""
    display = Hand(LineSession(EncoderDisplay(world).answer, Gate(), latency_s=0.01))
    assert display.say(b"\x1bA0200\r") == []
    assert display.wait(0.01) == [b"+     12.50000\r\n"]
    world.encoder = -0.125
    display.say(b"\x1bA0200\r")
    assert display.wait(0.01) == [b"-      0.12500\r\n"]
    display.say(b"\x1bA0000\r")
    assert b"SIM" in display.wait(0.01)[0]
    display.say(b"A0200\r")
    assert display.wait(1.0) == []


def test_the_climate_probe_answers_send(world: PlainWorld) -> None:
    """One line with humidity and temperature."""
    probe = Hand(LineSession(ClimateProbe(world).answer, Gate(), latency_s=0.05))
    assert probe.ask("send\r") == "RH=  45.0 %RH T= 22.04 'C"
    assert "SIM" in probe.ask("?\r")
    assert probe.ask("ERRS\r").startswith("PASS")
    assert probe.ask("NONSENSE\r") == "Unknown command"
