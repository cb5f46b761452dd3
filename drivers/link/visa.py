"""Instruments behind VISA: visa://USB0::...::INSTR, visa://GPIB0::22::INSTR, visa://ASRL/dev/ttyUSB0::INSTR.

The door to USB-TMC, GPIB, VXI-11, HiSLIP and serial VISA resources, through pyvisa: with the pure-Python library
(visa:// or visa+py://), the maker's VISA of this computer (visa+ivi://, for GPIB cards and Windows' USB-TMC), or
pyvisa-sim's files (visa+sim://, for trying names and words: it proves no wire). Raw sockets never pass here:
drivers/link/urls.py gives TCPIP::host::port::SOCKET to tcp.py. The library's own framing is kept out of the way: bytes
come in as they are and are framed by base.py. Options after a question mark: library (file of the VISA library, or of
pyvisa-sim's instruments); for serial resources baud (9600), bits, parity, stop as in serial_port.py. A second computer
is kept away where the protocol has a lock (VXI-11, HiSLIP): see `claim`.
Source: VPP-4.3 (VISA library); pyvisa documentation, "Resources"; its raw-socket session hangs on dead peers
(measured).
"""

from __future__ import annotations

import struct
import time
from typing import Any
from urllib.parse import parse_qs

from drivers.link.base import BufferedLink
from drivers.link.same_port import SamePort
from rig.errors import NoReply, UsageError
from rig.system import take_lock

CHUNK = 262_144
MESSAGE_BYTES = 1 << 20
SERIAL = {"baud": "9600", "bits": "8", "parity": "N", "stop": "1"}
LIBRARIES = ("py", "ivi", "sim")


class VisaLink(BufferedLink):
    """One resource. Message-based buses end a message by END: its last line feed is put back when it was left out."""

    def __init__(self, url: str, name: str = "", terminator: bytes = b"\n") -> None:
        super().__init__(url, name, terminator)
        self._resource_name, self._options = resource_and_options(url)
        self._library = self._options["library"]
        self._serial = self._resource_name.upper().startswith("ASRL") and not self._library.endswith("@sim")
        self._same = SamePort(self._resource_name[4:].partition("::")[0] if self._serial else "")
        self._manager: Any = None
        self._resource: Any = None

    @property
    def is_open(self) -> bool:
        return self._resource is not None

    def _connect(self) -> None:
        import pyvisa

        try:
            self._same.check()
            self._manager = pyvisa.ResourceManager(self._library)
            self._resource = self._manager.open_resource(self._resource_name, open_timeout=3000)
            self._resource.read_termination = None
            self._resource.write_termination = None
            if self._serial:
                self._claim()
                self._set_up_serial(pyvisa.constants)
        except self._faults() as fault:
            self._disconnect()
            raise self._down("can't open the VISA resource", _reason(fault)) from fault
        if self._serial:
            self.drain(0.02)

    def claim(self) -> str:
        """The instrument's own lock, held until the link is closed: "held", or "none" where there is none to hold.

        LinkDown when another controller holds it. Only for an instrument that one link of the bench leads to: the lock
        is the link's, and a second link of the same bench would be kept away too.
        """
        import pyvisa

        if not self._resource_name.upper().startswith("TCPIP") or self._library.endswith("@sim"):
            return "none"
        try:
            self._wire().lock_excl(timeout=0)
        except NotImplementedError:
            return "none"
        except pyvisa.errors.VisaIOError as fault:
            codes = pyvisa.constants.StatusCode
            if fault.error_code in (codes.error_nonsupported_operation, codes.error_nonimplemented_operation):
                return "none"
            raise self._down("another controller has locked the instrument", _reason(fault)) from fault
        except self._faults() as fault:
            raise self._down("the connection broke while locking", _reason(fault)) from fault
        return "held"

    def _claim(self) -> None:
        """Lock the port against every other program that locks, as pyserial's exclusive ports do: two on one port
        steal each other's bytes. Raises BlockingIOError when it is taken.
        """
        port = getattr(self._manager.visalib.sessions[self._resource.session], "interface", None)
        if port is not None and hasattr(port, "fileno"):
            take_lock(port.fileno(), wait=False)

    def _set_up_serial(self, constants: Any) -> None:
        port = self._resource
        port.baud_rate = int(self._options["baud"])
        port.data_bits = int(self._options["bits"])
        port.parity = {
            "N": constants.Parity.none,
            "E": constants.Parity.even,
            "O": constants.Parity.odd,
        }[self._options["parity"]]
        port.stop_bits = {"1": constants.StopBits.one, "2": constants.StopBits.two}[self._options["stop"]]
        port.end_input = constants.SerialTermination.none
        port.end_output = constants.SerialTermination.none

    def _disconnect(self) -> None:
        resource, self._resource = self._resource, None
        manager, self._manager = self._manager, None
        for one in (resource, manager):
            if one is None:
                continue
            try:
                one.close()
            except self._faults():
                continue  # the other end is gone already

    def _send(self, data: bytes, deadline_s: float) -> None:
        resource = self._wire()
        try:
            resource.timeout = deadline_s * 1000.0
            resource.write_raw(data)
        except self._faults() as fault:
            if _is_timeout(fault):
                raise NoReply(
                    f"does not take {len(data)} bytes within {deadline_s:g} s",
                    instrument=self.name,
                    next_action="Switch it off and on.",
                ) from fault
            raise self._down("the connection broke while writing", _reason(fault)) from fault

    def _receive(self, timeout_s: float) -> bytes:
        return self._receive_serial(timeout_s) if self._serial else self._receive_message(timeout_s)

    def _receive_serial(self, timeout_s: float) -> bytes:
        port = self._wire()
        end = time.monotonic() + timeout_s
        try:
            while not (waiting := port.bytes_in_buffer):
                left_s = end - time.monotonic()
                if left_s <= 0:
                    return b""
                self._wait_readable(min(left_s, 0.1))
            return bytes(port.read_bytes(waiting, chunk_size=waiting))
        except self._faults() as fault:
            raise self._down("the port was lost while reading", _reason(fault)) from fault

    def _wait_readable(self, timeout_s: float) -> None:
        """Sleeps until a byte is here or the time is over; in the kernel where the port's file number is known."""
        import select

        session = self._manager.visalib.sessions[self._resource.session]
        port = getattr(session, "interface", None)
        if port is not None and hasattr(port, "fileno"):
            select.select([port.fileno()], [], [], timeout_s)
        else:
            time.sleep(min(timeout_s, 0.001))

    def _receive_message(self, timeout_s: float) -> bytes:
        resource = self._wire()
        if timeout_s <= 0:
            return b""  # asking a message bus for a reply that isn't there is an error of its own (-420)
        try:
            resource.timeout = max(timeout_s, 0.001) * 1000.0
            with resource.ignore_warning(self._manager_constants().StatusCode.success_max_count_read):
                got = bytes(resource.read_raw(CHUNK))
        except self._faults() as fault:
            if _is_timeout(fault):
                return b""
            raise self._down("the connection broke while reading", _reason(fault)) from fault
        return got if got.endswith(self.terminator) or len(got) >= MESSAGE_BYTES else got + self.terminator

    def _manager_constants(self) -> Any:
        import pyvisa

        return pyvisa.constants

    def _wire(self) -> Any:
        if self._resource is None:
            raise self._down("the resource is closed")
        return self._resource

    @staticmethod
    def _faults() -> tuple[type[Exception], ...]:
        """Everything that this library has been seen to raise on a dead, refused or unplugged instrument."""
        import pyvisa

        return (
            pyvisa.errors.Error,
            OSError,
            ValueError,
            TypeError,
            KeyError,
            AttributeError,
            struct.error,
        )


def resource_and_options(url: str) -> tuple[str, dict[str, str]]:
    """Resource name and options of a visa:// address, library as pyvisa wants it.

    UsageError when there is no resource, for a raw socket, and for an option that is not known.
    """
    head, _, rest = url.partition("://")
    kind, _, library = head.partition("+")
    resource, _, query = rest.partition("?")
    if kind != "visa" or "::" not in resource:
        raise UsageError(f"link {url!r} is not visa://RESOURCE.", next_action="Write visa://USB0::...::INSTR.")
    if (library or "py") not in LIBRARIES:
        raise UsageError(
            f"link {url!r}: {library!r} is no VISA library.",
            next_action="Write visa+ivi:// (the maker's), visa+py:// or visa+sim://.",
        )
    if resource.upper().endswith("::SOCKET") and library != "sim":
        raise UsageError(f"link {url!r} is a raw socket.", next_action="Write tcp://host:port.")
    options = {key: values[-1] for key, values in parse_qs(query).items()}
    file = options.pop("library", "")
    unknown = sorted(set(options) - set(SERIAL))
    if unknown:
        known = ", ".join((*SERIAL, "library"))
        raise UsageError(f"link {url!r}: unknown option {unknown[0]!r}.", next_action=f"Known: {known}.")
    return resource, SERIAL | options | {"library": f"{file}@{library or 'py'}"}


def _is_timeout(fault: BaseException) -> bool:
    import pyvisa

    if isinstance(fault, pyvisa.errors.VisaIOError):
        return bool(fault.error_code == pyvisa.constants.StatusCode.error_timeout)
    return isinstance(fault, TimeoutError)


def _reason(fault: BaseException) -> str:
    return str(fault) or type(fault).__name__
