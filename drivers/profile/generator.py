"""A sine generator by its profile. The rules of the role stand in drivers/generator_base.py and hold here too:
the output is off while anything is prepared, everything is read back, and one word alone switches it on.
"""

from __future__ import annotations

import math

from drivers import scpi
from drivers.generator_base import SineGenerator
from drivers.link.base import Link
from drivers.profile.device import ProfiledDevice
from drivers.profile.model import Profile
from drivers.profile.tables import Source
from rig.errors import UsageError

RMS_OF = {"rms": 1.0, "peak": math.sqrt(0.5), "peak to peak": math.sqrt(0.125)}
INTO_50_OHM = "levels into 50 ohm"


class ProfiledGenerator(ProfiledDevice, SineGenerator):
    """One output. Levels are rms volts at the terminal into an open circuit."""

    def __init__(self, name: str, link: str | Link, *, profile: Profile) -> None:
        super().__init__(name, link, profile=profile)
        if profile.generator is None:
            raise UsageError(f"{name}: profile {profile.name} is no generator.")
        self._source: Source = profile.generator
        twice = 2.0 if self._source.load.declared == INTO_50_OHM else 1.0  # a 50 ohm source, told for 50 ohm
        self._volts = RMS_OF[self._source.level.unit] * twice

    def _output_header(self) -> str:
        return self._source.output.on

    def _send_output(self, on: bool) -> None:
        self._say(self._source.output.on if on else self._source.output.off)

    def _read_output(self) -> bool:
        output = self._source.output
        return self._which(output.ask, output.is_on, output.is_off)

    def _off(self) -> None:
        """Says off at once, even on a session that has to be synchronised first, then asks."""
        off = self._source.output.off
        self._link.write(off.encode("ascii") + self._session.ends)
        if self._profile.wire.acknowledgement is not None:
            self._link.drain(0.1)
        if self._read_output():
            raise self._differs(off, "off", "on")

    def _send_sine(self, frequency_hz: float, level_v_rms: float) -> None:
        source = self._source
        self._say(*(one.set for one in source.clear), source.shape.set)
        if source.load.set is not None:
            self._say(source.load.set)
        if source.offset is not None:
            self._say(source.offset.set)
        self._set_frequency(frequency_hz)
        self._set_level(level_v_rms)

    def _read_back(self, frequency_hz: float, level_v_rms: float) -> None:
        source = self._source
        for one in (*source.clear, source.shape, *([source.offset] if source.offset else [])):
            self._stands(one.ask, one.pattern)
        if source.load.ask is not None and source.load.pattern is not None:
            self._stands(source.load.ask, source.load.pattern)
        self._is_frequency(frequency_hz)
        self._is_level(level_v_rms)

    def _set_level(self, level_v_rms: float) -> None:
        level = self._source.level
        if not level.least_v_rms * 0.999 <= level_v_rms <= level.most_v_rms * 1.001:
            raise UsageError(
                f"{self._name}: {level_v_rms:g} V rms; its profile has {level.least_v_rms:g} to {level.most_v_rms:g}.",
                next_action="Change the level, or the amplifier's gain.",
            )
        with self._session.lock:
            self._say(level.set.format(v=_value_words(level_v_rms / self._volts)))
            self._is_level(level_v_rms)

    def _set_frequency(self, frequency_hz: float) -> None:
        own = self._source.frequency
        if not own.least_hz * 0.999 <= frequency_hz <= own.most_hz * 1.001:
            raise UsageError(
                f"{self._name}: {frequency_hz:g} Hz; its profile has {own.least_hz:g} to {own.most_hz:g}.",
                next_action="Change the frequency.",
            )
        with self._session.lock:
            self._say(own.set.format(hz=_value_words(frequency_hz / own.scale)))
            self._is_frequency(frequency_hz)

    def _is_level(self, level_v_rms: float) -> None:
        own = self._source.level
        got = self._number(own.ask, own.answer) * self._volts
        if not scpi.same(level_v_rms, got, rel=own.tolerance):
            raise self._differs(own.ask, f"{level_v_rms:g} V rms", f"{got:g}")

    def _is_frequency(self, frequency_hz: float) -> None:
        own = self._source.frequency
        got = self._number(own.ask, own.answer) * own.scale
        if not scpi.same(frequency_hz, got, rel=own.tolerance):
            raise self._differs(own.ask, f"{frequency_hz:g} Hz", f"{got:g}")


class _Said(float):
    """A number that a profile may give a format of its own ({v:.2f}), and that else is said with twelve digits."""

    def __format__(self, spec: str) -> str:
        return float.__format__(self, spec) if spec else scpi.number(self)


def _value_words(value: float) -> _Said:
    return _Said(value)
