"""Relays, inputs and the enable line on Modbus boxes, and the interlock on modem lines."""

from typing import Any

import pytest
from loop_link import LoopLink
from plain_bench import plain_bench

from drivers.interlock_modem import InterlockModemLines
from drivers.modbus_io import InputsModbus, SwitchModbus
from rig.errors import BadReply, InstrumentRefused, LinkDown, UsageError


def test_relays_of_a_modbus_board_close_and_open() -> None:
    """By coils that read back; the board says who it is."""
    with plain_bench(roles=("switch",), switch="modbus-relays") as (_, drivers):
        switch = drivers["switch"]
        assert switch.identity().serial == "SIM00008"
        switch.close_channels([1, 3])
        assert switch.closed_channels() == (1, 3)
        switch.open_channels([1])
        assert switch.closed_channels() == (3,)
        switch.safe_state()
        assert switch.closed_channels() == ()
        with pytest.raises(UsageError, match="it has 1 to 8"):
            switch.close_channels([9])


def test_guard_and_stop_on_modbus_inputs() -> None:
    """As the world has them; the enable coil is pulsed."""
    with plain_bench(roles=("interlock",), interlock="modbus-inputs") as (bench, drivers):
        assert drivers["interlock"].state().safe_to_run
        bench.world.guard_closed = False
        assert not drivers["interlock"].state().guard_closed
        with pytest.raises(UsageError, match="enable"):
            drivers["interlock"].pulse()


def test_frames_are_those_of_the_manual() -> None:
    """Relay 1 on, all states, all inputs: with the checksums that are printed in it."""
    said = []

    def board(data: bytes) -> bytes:
        said.append(data.hex(" "))
        replies = {1: "01 01 01 01 90 48", 2: "01 02 01 01 60 48"}
        return data if data[1] == 5 else bytes.fromhex(replies.get(data[1], "01 ab 01 9f 10"))

    switch, inputs = SwitchModbus("switch", LoopLink(board)), InputsModbus("interlock", LoopLink(board))
    for one in (switch, inputs):
        one.open()
    switch.close_channels([1])
    inputs.state()
    for frame in ("01 05 00 00 ff 00 8c 3a", "01 01 00 00 00 08 3d cc", "01 02 00 00 00 08 79 cc"):
        assert frame in said


@pytest.mark.parametrize("reply", ["01 02 02 01 00 b9 e8", "01 02 01 01 60 49", "02 02 01 01 90 48", "01 82 02 c1 61"])
def test_a_reply_that_is_not_whole_is_no_closed_guard(reply: str) -> None:
    """Two bytes for eight inputs, a wrong checksum, another box, an exception."""
    interlock = InputsModbus("interlock", LoopLink(lambda data: bytes.fromhex(reply)))
    interlock._opened = True
    interlock._link.open()
    with pytest.raises((BadReply, InstrumentRefused)):
        interlock.state()


class Port:
    """A serial adapter: DTR feeds two contacts. stuck: lines that stay up."""

    def __init__(self) -> None:
        self.guard_closed, self.stop_pressed = True, False
        self.stuck: set[str] = set()
        self.dtr = self.rts = self.exclusive = False
        self.port = ""
        self.opened = 0
        self.gone = False

    def open(self) -> None:
        self.opened += 1
        assert self.exclusive and not self.dtr

    def close(self) -> None:
        self.opened -= 1

    def _up(self, line: str, contact: bool) -> bool:
        if self.gone:
            raise OSError(5, "Input/output error")
        return line in self.stuck or (self.dtr and contact)

    @property
    def cts(self) -> bool:
        return self._up("cts", self.guard_closed)

    @property
    def dsr(self) -> bool:
        return self._up("dsr", not self.stop_pressed)


def _lines(port: Any) -> InterlockModemLines:
    one = InterlockModemLines("interlock", "serial:///dev/ttyUSB7")
    one.make_port = lambda: port  # type: ignore[method-assign]
    one.open()
    return one


def test_guard_and_stop_on_modem_lines() -> None:
    """Open guard, pressed stop; a broken wire reads as one of them."""
    port = Port()
    one = _lines(port)
    assert port.port == "/dev/ttyUSB7" and one.state().safe_to_run
    port.guard_closed = False
    assert not one.state().guard_closed
    port.guard_closed, port.stop_pressed = True, True
    assert one.state().emergency_stop
    one.close()
    one.close()
    assert port.opened == 0


@pytest.mark.parametrize("line", ["cts", "dsr"])
def test_a_line_that_stays_up_is_a_fault_and_never_a_closed_guard(line: str) -> None:
    """At opening, when nothing is left open, and later."""
    port = Port()
    port.stuck = {line}
    with pytest.raises(InstrumentRefused, match=f"{line} stays up"):
        _lines(port)
    assert port.opened == 0
    port = Port()
    one = _lines(port)
    port.stuck = {line}
    with pytest.raises(InstrumentRefused, match=f"{line} stays up"):
        one.state()


def test_an_adapter_that_is_pulled_is_told() -> None:
    """With its name."""
    port = Port()
    one = _lines(port)
    port.gone = True
    with pytest.raises(LinkDown, match="ttyUSB7"):
        one.state()


def test_modem_lines_are_on_a_serial_port() -> None:
    """Another link is told before it is opened."""
    with pytest.raises(UsageError, match="serial port"):
        InterlockModemLines("interlock", "tcp://127.0.0.1:1").open()


@pytest.mark.parametrize("lines", [("cts", "cts"), ("cts", "rts"), ("guard", "dsr")])
def test_lines_that_can_not_be_read_are_refused(lines: tuple[str, str]) -> None:
    """Before a port is opened."""
    with pytest.raises(UsageError, match="two of"):
        InterlockModemLines("interlock", "serial:///dev/ttyUSB7", guard_line=lines[0], stop_line=lines[1])
