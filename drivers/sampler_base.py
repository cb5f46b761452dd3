"""What samplers that speak SCPI share: configured first, armed with SING, one forced trigger, a record read again.

Source: IEEE 488.2; :SINGle and the ten fields of :WAVeform:PREamble? as the makers of both families print them.
"""

from __future__ import annotations

import re
from abc import ABC, abstractmethod
from typing import ClassVar

from drivers import scpi
from drivers.link.base import Link
from drivers.link.device import ScpiDevice
from drivers.roles import SamplerAbilities
from rig.errors import BadReply, InstrumentRefused, UsageError
from rig.signal.waveform import Waveform


class ScpiSampler(ScpiDevice, ABC):
    """Channels CHAN1 to CHAN4 in the order of `channels`. can: its abilities; force: the words that trigger now."""

    can: SamplerAbilities
    force: ClassVar[str]

    def __init__(self, name: str, link: str | Link) -> None:
        super().__init__(name, link)
        self._channels: tuple[str, ...] = ()
        self._samples = 0
        self._rate_hz = 0.0
        self._captured = False

    @property
    def abilities(self) -> SamplerAbilities:
        return self.can

    def arm(self) -> None:
        """Ready for one trigger."""
        self._require_configured()
        self._captured = False
        self._session.write(":SING")

    def trigger(self) -> None:
        """Starts the capture now; returns at once."""
        self._require_configured()
        self._session.write(self.force)

    def fetch(self) -> Waveform:
        """Reads the last capture, `samples` of each channel. BadReply when there is none or it is not whole."""
        self._require_configured()
        return self._again(self._fetch_once)

    @abstractmethod
    def _fetch_once(self) -> Waveform: ...

    def _source(self, n: int) -> str:
        """A pattern for how the instrument names channel n."""
        return rf"CHAN(NEL)?{n}"

    def _preamble_of(self, message: str, label: str = "") -> tuple[list[str], list[float]]:
        """The ten fields of a preamble, as text and as numbers; BadReply when they are no ten numbers.

        label: a pattern for the text unit that the message makes the instrument say in front of them.
        """
        reply = self._session.query(message)
        with self._session.parsing(message):
            if label:
                front, _, reply = reply.partition(";")
                if not re.fullmatch(label, front.strip(), re.IGNORECASE):
                    raise BadReply(f"{front!r} in front of a preamble where {label} was expected")
            fields = reply.split(",")
            if len(fields) != 10:
                raise BadReply(f"{len(fields)} fields in a preamble of ten")
            return fields, [scpi.parse_number(field) for field in fields]

    def _require_configured(self) -> None:
        if not self._channels:
            raise UsageError(f"{self._name}: not configured.", next_action="Call configure first.")

    def _differs(self, header: str, wanted: str, got: str) -> InstrumentRefused:
        return InstrumentRefused(
            f"was set to {wanted} and reads back {got}",
            instrument=self._name,
            exchange=header,
            next_action="Ask for what this sampler can do (ranges, samples, rate).",
        )
