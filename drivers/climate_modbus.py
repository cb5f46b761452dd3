"""Temperature and humidity probes with Modbus RTU: two neighbouring registers, in tenths.

Where they stand differs by make: `function` (4: input registers, 3: holding), `register` (of the temperature; humidity
follows it) and `scale` come from the bench file. A probe without identification (function 2B) is taken as it is. It
must never know what it hangs beside.
Source: drivers/modbus_rtu.py; default registers as in the data sheets of SHT20-based RS-485 probes (function 4,
temperature 1, humidity 2, tenths, 9600 8N1) †.
"""

from __future__ import annotations

import time

from drivers import modbus_rtu
from drivers.link.base import Link
from drivers.link.line_device import LineDevice
from drivers.roles import ClimateReading, Identity
from rig.errors import BadReply, BenchError, InstrumentRefused, NoReply

PLAIN = Identity(maker="", model="Modbus RTU probe", serial="", firmware="")
DEADLINE_S = 0.5
SILENCE_S = 0.005  # between frames: 3.5 characters at 9600 baud


class ClimateModbus(LineDevice):
    """One probe on one port, alone or with others at other addresses."""

    def __init__(
        self,
        name: str,
        link: str | Link,
        *,
        address: int = 1,
        function: int = modbus_rtu.INPUT,
        register: int = 1,
        scale: float = 0.1,
    ) -> None:
        super().__init__(name, link)
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
        request = modbus_rtu.read_request(self._address, self._function, self._register, 2)
        body = self._exchange(request, self._function, exchange)
        raw_t, raw_rh = modbus_rtu.registers(body, 2, exchange)
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
        try:
            told = self._told()
        except InstrumentRefused:
            return PLAIN
        except (NoReply, BadReply) as fault:
            self.repeated.append(str(fault))
            try:
                told = self._told()
            except (InstrumentRefused, NoReply, BadReply):
                if self._identity not in (None, PLAIN):
                    raise  # it could tell before: this is a fault of the wire
                return PLAIN
        return Identity(
            maker=told.get(0, ""), model=told.get(1, ""), serial=told.get(0x80, ""), firmware=told.get(2, "")
        )

    def _told(self) -> dict[int, str]:
        body = self._exchange(
            modbus_rtu.identify_request(self._address), modbus_rtu.ENCAPSULATED, "function 2B", cut_ok=True
        )
        return modbus_rtu.objects(body)

    def _exchange(self, request: bytes, function: int, exchange: str, *, cut_ok: bool = False) -> bytes:
        """One request, one reply read by its own length; what arrives unasked is thrown away before."""
        self._link.drain(SILENCE_S)
        self._link.dirty = False
        self._link.write(request)
        data = self._link.poll_exact(3, DEADLINE_S)
        if data is None:
            self._link.drain(SILENCE_S)
            raise NoReply(
                f"nothing within {DEADLINE_S:g} s",
                instrument=self._name,
                exchange=exchange,
                next_action="Check its supply, A and B, address and baud rate.",
            )
        data += self._rest(data, cut_ok)
        try:
            return modbus_rtu.checked(data, self._address, function, exchange)
        except BadReply as fault:
            raise BadReply(
                fault.message.removesuffix(f" [{exchange}]"), instrument=self._name, exchange=exchange
            ) from fault
        except InstrumentRefused as fault:
            raise InstrumentRefused(
                fault.message.removesuffix(f" [{exchange}]"),
                code=fault.code,
                instrument=self._name,
                exchange=exchange,
                next_action="Compare function and register with the probe's data sheet.",
            ) from fault

    def _rest(self, head: bytes, until_quiet: bool) -> bytes:
        """What follows address, function and count; an identification states no length: until it is quiet."""
        if until_quiet and not head[1] & 0x80:
            time.sleep(SILENCE_S)
            return self._link.drain(0.05)
        n = 2 if head[1] & 0x80 else head[2] + 2
        return self._link.poll_exact(n, DEADLINE_S) or self._link.drain(SILENCE_S)
