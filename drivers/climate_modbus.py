"""Temperature and humidity probes with Modbus RTU: two neighbouring registers, in tenths.

Where they stand differs by make: `function` (4: input registers, 3: holding), `register` (of the temperature; humidity
follows it) and `scale` come from the bench file.
Source: drivers/modbus_rtu.py; default registers as in the data sheets of SHT20-based RS-485 probes (function 4,
temperature 1, humidity 2, tenths, 9600 8N1) †.
"""

from __future__ import annotations

from typing import ClassVar

from pymodbus.pdu import ModbusPDU
from pymodbus.pdu.register_message import ReadHoldingRegistersRequest, ReadInputRegistersRequest

from drivers.link.base import Link
from drivers.modbus_rtu import ModbusDevice
from drivers.roles import ClimateReading
from rig.errors import BadReply, BenchError

HOLDING, INPUT = 3, 4


class ClimateModbus(ModbusDevice):
    """One probe."""

    kind: ClassVar[str] = "Modbus RTU probe"

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
        super().__init__(name, link, address=address)
        self._function, self._register, self._scale = function, register, scale

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
        reply = self._request(kind(address=self._register, count=2, dev_id=self._address), ModbusPDU, exchange)
        if len(reply.registers) != 2:
            raise self._bad(f"{len(reply.registers)} registers where 2 were asked for", exchange)
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
