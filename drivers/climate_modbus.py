"""Temperature and humidity probes with Modbus RTU: two neighbouring registers, in tenths.

Where they stand differs by make: `function` (4: input registers, 3: holding), `register` (of the temperature; humidity
follows it) and `scale` come from the bench file. A probe without identification (function 2B) is taken as it is. Frames
are built and checked by pymodbus; a reply counts only when it is the same frame to the byte once it is built again.
Source: MODBUS Application Protocol Specification V1.1b3 (functions 03, 04, 2B/0E; exception codes); MODBUS over Serial
Line V1.02, 2.5.1 (RTU framing); default registers as in the data sheets of SHT20-based RS-485 probes (function 4,
temperature 1, humidity 2, tenths, 9600 8N1) †.
"""

from __future__ import annotations

from pymodbus.exceptions import ModbusException
from pymodbus.framer.rtu import FramerRTU
from pymodbus.pdu import DecodePDU, ExceptionResponse, ModbusPDU
from pymodbus.pdu.mei_message import ReadDeviceInformationRequest, ReadDeviceInformationResponse
from pymodbus.pdu.register_message import ReadHoldingRegistersRequest, ReadInputRegistersRequest

from drivers.link.base import Link
from drivers.link.device import LineDevice
from drivers.roles import ClimateReading, Identity
from rig.errors import BadReply, BenchError, InstrumentRefused, NoReply

PLAIN = Identity(maker="", model="Modbus RTU probe", serial="", firmware="")
HOLDING, INPUT = 3, 4
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


class ClimateModbus(LineDevice):
    """One probe on one port, alone or with others at other addresses."""

    def __init__(
        self,
        name: str,
        link: str | Link,
        *,
        address: int = 1,
        function: int = INPUT,
        register: int = 1,
        scale: float = 0.1,
    ) -> None:
        super().__init__(name, link)
        self._framer = FramerRTU(DecodePDU(is_server=False))
        self._address, self._function, self._register, self._scale = address, function, register, scale

    def open(self) -> None:
        """Opens, asks who answers, and takes one reading to prove that registers and scale are right."""
        super().open()
        try:
            self._again(self._read)
        except BenchError:
            self.close()
            raise

    def read(self) -> ClimateReading:
        """Temperature in degC and relative humidity in percent. BadReply beyond what air can be."""
        return self._again(self._read)

    def safe_state(self) -> None:
        """It only reads: nothing to switch off."""

    def _read(self) -> ClimateReading:
        exchange = f"function {self._function} register {self._register}"
        kind = ReadHoldingRegistersRequest if self._function == HOLDING else ReadInputRegistersRequest
        data, reply = self._exchange(kind(address=self._register, count=2, dev_id=self._address), exchange)
        if len(reply.registers) != 2 or self._framer.buildFrame(reply) != data:
            raise self._bad(f"{data.hex(' ')}: not 2 registers", exchange)
        raw_t, raw_rh = reply.registers
        degc = (raw_t - 0x10000 if raw_t & 0x8000 else raw_t) * self._scale
        humidity = raw_rh * self._scale
        if not (-60.0 <= degc <= 125.0 and 0.0 <= humidity <= 100.0):
            raise BadReply(
                f"{degc:g} degC and {humidity:g} % are no air",
                instrument=self._name,
                exchange=exchange,
                next_action="Compare function, register and scale with the probe's data sheet.",
            )
        return ClimateReading(temperature_degc=degc, humidity_pct=humidity)

    def _identify(self) -> Identity:
        for last_try in (False, True):
            try:
                return self._read_identity()
            except InstrumentRefused:
                return PLAIN
            except (NoReply, BadReply) as fault:
                if last_try and self._identity not in (None, PLAIN):
                    raise  # it identified itself before: this is a fault of the wire
                self.retries.append(str(fault))
        return PLAIN

    def _read_identity(self) -> Identity:
        exchange = "function 2B"
        data, reply = self._exchange(ReadDeviceInformationRequest(EXTENDED, 0, dev_id=self._address), exchange)
        if not isinstance(reply, ReadDeviceInformationResponse):
            raise self._bad(f"{data.hex(' ')}: no identification", exchange)
        text = {key: value.decode("ascii", "replace") for key, value in reply.information.items() if value}
        return Identity(
            maker=text.get(0, ""), model=text.get(1, ""), serial=text.get(0x80, ""), firmware=text.get(2, "")
        )

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
                next_action="Compare function and register with the probe's data sheet.",
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
