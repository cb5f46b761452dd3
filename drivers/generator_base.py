"""What all sine generators share: levels read back, nothing switched on unseen, off after a lost setting.

Levels are rms volts at the terminal into an open circuit. A family says how a setting is sent, how it is read back
and how its output is asked for.
"""

from __future__ import annotations

import math
import time
from abc import ABC, abstractmethod

from drivers.link.base import Link
from drivers.link.device import ScpiDevice
from rig.errors import BenchError, InstrumentRefused, UsageError


class SineGenerator(ScpiDevice, ABC):
    """One channel; the others are left alone."""

    def __init__(self, name: str, link: str | Link) -> None:
        super().__init__(name, link)
        self._wanted: tuple[float, float] | None = None  # frequency, level as they were last read back
        self._on = False

    def open(self) -> None:
        """Opens and identifies; energises nothing."""
        super().open()
        self._wanted, self._on = None, False

    def prepare_sine(self, *, frequency_hz: float, level_v_rms: float) -> None:
        """A continuous sine, output off. InstrumentRefused when it does not take or does not keep a setting."""
        positive(frequency_hz=frequency_hz, level_v_rms=level_v_rms)
        with self._session.lock:
            self.output(False)
            self._wanted = None
            self._send_sine(frequency_hz, level_v_rms)
            self._read_back(frequency_hz, level_v_rms)
            self._wanted = (frequency_hz, level_v_rms)

    def level_v_rms(self, level_v_rms: float) -> None:
        """Another level, whether on or off; read back."""
        positive(level_v_rms=level_v_rms)
        self._again(lambda: self._set_level(level_v_rms))
        if self._wanted is not None:
            self._wanted = (self._wanted[0], level_v_rms)

    def frequency_hz(self, frequency_hz: float) -> None:
        """Another frequency, whether on or off; read back."""
        positive(frequency_hz=frequency_hz)
        self._again(lambda: self._set_frequency(frequency_hz))
        if self._wanted is not None:
            self._wanted = (frequency_hz, self._wanted[1])

    def output(self, on: bool) -> None:
        """Switches the output and reads it back; InstrumentRefused when it did not follow.

        Before it is switched on, all settings are read back: somebody may have turned a knob.
        """
        with self._session.lock:
            if on and (wanted := self._wanted) is not None:
                self._again(lambda: self._read_back(*wanted))
            self._on = False
            self._send_output(on)
            if self.output_is_on() != on:
                raise self._differs(self._output_header(), "ON" if on else "OFF", "OFF" if on else "ON")
            self._on = on

    def output_is_on(self) -> bool:
        """What the generator says about its output."""
        return self._again(self._read_output)

    def safe_state(self) -> None:
        """Output off, verified; a second try on a new connection. Nothing to do when it was not opened."""
        with self._for_safety() as is_open:
            self._wanted, self._on = None, False
            if not is_open:
                return
            start_s = time.monotonic()
            try:
                self._off()
            except BenchError:
                if time.monotonic() - start_s > 1.0:
                    raise
                self._session.reopen()
                self._off()

    def _off(self) -> None:
        """Says off at once, even on a session that has to be synchronised first, then asks."""
        self._link.write(f"{self._output_header()} OFF\n".encode("ascii"))
        if self._read_output():
            raise self._differs(self._output_header(), "OFF", "ON")

    def _set_up_again(self) -> None:
        """After a lost link: it must stand as it was left. One that does not is switched off, with an error."""
        if self._wanted is None:
            return
        try:
            self._read_back(*self._wanted)
            if self._on and not self._read_output():
                raise self._differs(self._output_header(), "ON", "OFF")
        except InstrumentRefused as fault:
            self._wanted, self._on = None, False
            self._off()
            raise InstrumentRefused(
                "it has lost its settings with the link and is off now: " + fault.message,
                instrument=self._name,
                exchange=self._output_header(),
                next_action="Prepare the excitation again and repeat the step.",
            ) from fault

    def _differs(self, header: str, wanted: str, got: str) -> InstrumentRefused:
        return InstrumentRefused(
            f"was set to {wanted} and reads back {got}",
            instrument=self._name,
            exchange=header,
            next_action="Switch the generator off by hand and check who else controls it.",
        )

    @abstractmethod
    def _output_header(self) -> str: ...  # what " OFF" is put behind

    @abstractmethod
    def _send_output(self, on: bool) -> None: ...

    @abstractmethod
    def _read_output(self) -> bool: ...

    @abstractmethod
    def _send_sine(self, frequency_hz: float, level_v_rms: float) -> None: ...  # load, unit, frequency, level

    @abstractmethod
    def _read_back(self, frequency_hz: float, level_v_rms: float) -> None: ...  # InstrumentRefused where they differ

    @abstractmethod
    def _set_level(self, level_v_rms: float) -> None: ...

    @abstractmethod
    def _set_frequency(self, frequency_hz: float) -> None: ...


def positive(**values: float) -> None:
    """UsageError when a value is not a finite number above zero."""
    for key, value in values.items():
        if not (math.isfinite(value) and value > 0):
            raise UsageError(f"{key} = {value} is not a positive number.", next_action="Give a level above zero.")
