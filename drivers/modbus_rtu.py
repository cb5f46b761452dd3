"""What all Modbus RTU boxes share: one request, one reply that belongs to it to the byte, and who answers.

Frames are built and checked by pymodbus; a reply counts only when it is the same frame to the byte once it is built
again. A box without identification (function 2B) is taken as it is.
Source: MODBUS Application Protocol Specification V1.1b3 (functions 01, 02, 03, 04, 05, 0F, 2B/0E; exception codes);
MODBUS over Serial Line V1.02, 2.5.1 (RTU framing).
"""

from __future__ import annotations

from typing import ClassVar, TypeVar

from pymodbus.exceptions import ModbusException
from pymodbus.framer.rtu import FramerRTU
from pymodbus.pdu import DecodePDU, ExceptionResponse, ModbusPDU
from pymodbus.pdu.mei_message import ReadDeviceInformationRequest, ReadDeviceInformationResponse

from drivers.link.base import Link
from drivers.link.device import LineDevice
from drivers.roles import Identity
from rig.errors import BadReply, InstrumentRefused, NoReply

EXTENDED = 3  # identification with the maker's own objects, such as a serial number at 0x80
DEADLINE_S = 0.5
SILENCE_S = 0.005  # between frames: 3.5 characters at 9600 baud
GAP_S = 0.05  # within a frame: a USB adapter's latency
EXCEPTIONS = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "device failure",
    6: "device busy",
}
PduT = TypeVar("PduT", bound=ModbusPDU)


class ModbusDevice(LineDevice):
    """One box on one port, alone or with others at other addresses. kind: what it is, where it does not say."""

    kind: ClassVar[str] = "Modbus RTU box"

    def __init__(self, name: str, link: str | Link, *, address: int = 1) -> None:
        super().__init__(name, link)
        self._framer = FramerRTU(DecodePDU(is_server=False))
        self._address = address

    def _plain(self) -> Identity:
        return Identity(maker="", model=self.kind, serial="", firmware="")

    def _identify(self) -> Identity:
        for last_try in (False, True):
            try:
                return self._read_identity()
            except InstrumentRefused:
                return self._plain()
            except (NoReply, BadReply) as fault:
                if last_try and self._identity not in (None, self._plain()):
                    raise  # it identified itself before: this is a fault of the wire
                self.retries.append(str(fault))
        return self._plain()

    def _read_identity(self) -> Identity:
        exchange = "function 2B"
        data, reply = self._exchange(ReadDeviceInformationRequest(EXTENDED, 0, dev_id=self._address), exchange)
        if not isinstance(reply, ReadDeviceInformationResponse):
            raise self._bad(f"{data.hex(' ')}: no identification", exchange)
        text = {key: value.decode("ascii", "replace") for key, value in reply.information.items() if value}
        return Identity(
            maker=text.get(0, ""), model=text.get(1, ""), serial=text.get(0x80, ""), firmware=text.get(2, "")
        )

    def _request(self, request: ModbusPDU, kind: type[PduT], exchange: str) -> PduT:
        """The reply of its kind, the same to the byte when it is built again. BadReply otherwise."""
        data, reply = self._exchange(request, exchange)
        if not isinstance(reply, kind) or self._framer.buildFrame(reply) != data:
            raise self._bad(f"{data.hex(' ')}: not what was asked for", exchange)
        return reply

    def _exchange(self, request: ModbusPDU, exchange: str) -> tuple[bytes, ModbusPDU]:
        """One request; one reply as bytes and as what they say. What arrives unasked is thrown away before."""
        self._link.drain(SILENCE_S)
        self._link.dirty = False
        self._link.write(self._framer.buildFrame(request))
        data = self._link.poll_exact(1, DEADLINE_S)
        if data is None:
            raise NoReply(
                f"nothing within {DEADLINE_S:g} s",
                instrument=self._name,
                exchange=exchange,
                next_action="Check its supply, A and B, address and baud rate.",
            )
        while (reply := self._decode(data, exchange)) is None:
            more = self._link.poll_exact(1, GAP_S)
            if more is None:
                raise self._bad(f"{data.hex(' ')}: wrong checksum or length", exchange)
            data += more
        if data[0] != self._address or reply.function_code & 0x7F != request.function_code:
            raise self._bad(f"{data.hex(' ')} answers another request", exchange)
        if isinstance(reply, ExceptionResponse):
            code = reply.exception_code
            raise InstrumentRefused(
                f"exception {code}, {EXCEPTIONS.get(code, 'see its manual')}",
                code=code,
                instrument=self._name,
                exchange=exchange,
                next_action="Compare function and register with the data sheet.",
            )
        return data, reply

    def _decode(self, data: bytes, exchange: str) -> ModbusPDU | None:
        """What a whole frame says; None while it is not whole. BadReply for a frame that can't be one."""
        try:
            used, reply = self._framer.handleFrame(data, 0, 0)
        except (ModbusException, ValueError, IndexError) as fault:
            raise self._bad(f"{data.hex(' ')} is no reply ({fault})", exchange) from fault
        if used and reply is None:
            raise self._bad(f"{data.hex(' ')}: wrong checksum or length", exchange)
        return reply

    def _bad(self, text: str, exchange: str) -> BadReply:
        return BadReply(text, instrument=self._name, exchange=exchange)
