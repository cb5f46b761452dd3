"""LabJack T8 and T7 through the LJM library: labjack://SERIAL (or labjack://ANY). NOT RUN ON HARDWARE.

A capture is a stream of a stated length, started by the trigger and stopped when it is in. The T8 samples at once, 24
bits, 40 kS/s a channel; the T7 samples one after the other, 100 kS/s in all: fit for low carriers only, and refused
beyond its limit. Scans that the device had to skip come as -9999 and spoil the capture.
Source: LabJack LJM documentation (openS, getHandleInfo, eWriteName, eStreamStart, eStreamRead, eStreamStop, dummy
value -9999); T-Series Datasheet, "Stream mode" (rates; trigger index, clock source, resolution index and settling: 0 is
the default), "Analog inputs" (ranges, bits).
"""

from __future__ import annotations

import importlib
import time
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from drivers.roles import Identity, SamplerAbilities
from drivers.vendor_capture import CapturePlan, Floats, VendorSampler
from rig.errors import BadReply, InstrumentRefused, NoReply, WrongInstrument

SKIPPED = -9999.0
READ_S = 0.1  # a read at most: a short capture comes in one read, as soon as it is in
MAX_SAMPLES = 200_000
STREAM_SETTINGS = {  # the device holds those of its last user: start at once, own clock, the rest by default
    "STREAM_TRIGGER_INDEX": 0,
    "STREAM_CLOCK_SOURCE": 0,
    "STREAM_RESOLUTION_INDEX": 0,
    "STREAM_SETTLING_US": 0,
}


@dataclass(frozen=True, slots=True)
class _Kind:
    """One device: its name, bits, most scans a second on one channel and in all, ranges, sampling at once."""

    name: str
    bits: int
    channel_hz: float
    total_hz: float
    ranges_v: tuple[float, ...]
    simultaneous: bool


KINDS = {
    7: _Kind("T7", 16, 100e3, 100e3, (0.01, 0.1, 1.0, 10.0), False),
    8: _Kind("T8", 24, 40e3, 320e3, (0.018, 0.036, 0.075, 0.15, 0.3, 0.6, 1.2, 2.4, 4.8, 9.6, 11.0), True),
}


class SamplerLabjack(VendorSampler):
    """Inputs AIN0 onwards on the T8, AIN0, AIN2, AIN4, AIN6 (differential) on the T7."""

    library: ClassVar[str] = "labjack"
    scheme: ClassVar[str] = "labjack"
    package: ClassVar[str] = "labjack-ljm"
    needs: ClassVar[str] = "the LJM library"

    def __init__(self, name: str, link: str) -> None:
        super().__init__(name, link)
        self._ljm: Any = None
        self._handle: Any = None
        self._kind = KINDS[8]
        self._per_read = 1
        self._data: list[float] = []
        self._addresses: list[int] = []

    def _load(self) -> Any:
        super()._load()
        return importlib.import_module("labjack.ljm")

    def _connect(self, library: Any) -> tuple[Identity, SamplerAbilities]:
        self._ljm = library
        try:
            self._handle = library.openS("ANY", "ANY", self._device)
            kind_number, _, serial, *_ = library.getHandleInfo(self._handle)
        except library.LJMError as fault:
            raise self._refusal(fault) from fault
        if kind_number not in KINDS:
            raise WrongInstrument(f"device type {kind_number} answers; a T7 or T8 was expected", instrument=self._name)
        kind = self._kind = KINDS[kind_number]
        step_s = 0.0 if kind.simultaneous else 1.0 / kind.total_hz
        abilities = SamplerAbilities(
            simultaneous=kind.simultaneous,
            channels=4,
            bits=kind.bits,
            max_rate_hz=kind.channel_hz,
            max_samples=MAX_SAMPLES,
            ranges_v=kind.ranges_v,
            skew_s=tuple(i * step_s for i in range(4)),
        )
        return Identity(maker="LabJack", model=kind.name, serial=str(serial), firmware=""), abilities

    def _rate_limit_hz(self, channels: int) -> float:
        return min(self._kind.channel_hz, self._kind.total_hz / channels)

    def _prepare(self, plan: CapturePlan) -> float:
        spacing = 1 if self._kind.simultaneous else 2
        names = [f"AIN{i * spacing}" for i in range(len(plan.channels))]
        try:
            for setting, value in STREAM_SETTINGS.items():
                self._ljm.eWriteName(self._handle, setting, value)
            for name, range_v in zip(names, plan.ranges_v, strict=True):
                self._ljm.eWriteName(self._handle, f"{name}_RANGE", range_v)
                if not self._kind.simultaneous:
                    self._ljm.eWriteName(self._handle, f"{name}_NEGATIVE_CH", int(name[3:]) + 1)
            self._addresses = list(self._ljm.namesToAddresses(len(names), names)[0])
        except self._ljm.LJMError as fault:
            raise self._refusal(fault) from fault
        self._per_read = max(1, min(plan.samples, round(plan.rate_hz * READ_S)))
        return plan.rate_hz

    def _start(self, plan: CapturePlan) -> None:
        self._data = []
        try:
            self._rate_hz = float(
                self._ljm.eStreamStart(
                    self._handle, self._per_read, len(self._addresses), self._addresses, plan.rate_hz
                )
            )
        except self._ljm.LJMError as fault:
            raise self._refusal(fault) from fault

    def _await(self, plan: CapturePlan, deadline_s: float) -> None:
        wanted = plan.samples * len(plan.channels)
        end_s = time.monotonic() + deadline_s
        try:
            while len(self._data) < wanted:
                if time.monotonic() > end_s:
                    raise NoReply(f"the stream gave {len(self._data)} of {wanted} values", instrument=self._name)
                self._data += self._ljm.eStreamRead(self._handle)[0]
        except self._ljm.LJMError as fault:
            raise self._refusal(fault) from fault
        finally:
            self._stop()

    def _read(self, plan: CapturePlan) -> Floats:
        flat = np.array(self._data[: plan.samples * len(plan.channels)], dtype=np.float64)
        skipped = int(np.count_nonzero(flat == SKIPPED))
        if skipped:
            raise BadReply(
                f"the device skipped {skipped} values of {len(flat)}",
                instrument=self._name,
                exchange="eStreamRead",
                next_action="Lower the rate and take the capture again.",
            )
        whole = len(flat) // len(plan.channels) * len(plan.channels)
        return flat[:whole].reshape(-1, len(plan.channels)).T

    def _stop(self) -> None:
        try:
            self._ljm.eStreamStop(self._handle)
        except self._ljm.LJMError as fault:
            if "STREAM_NOT_RUNNING" not in str(fault):
                raise self._refusal(fault) from fault

    def _disconnect(self) -> None:
        handle, self._handle = self._handle, None
        if handle is not None:
            try:
                self._ljm.close(handle)
            except self._ljm.LJMError:
                return  # the device is gone already

    def _refusal(self, fault: Any) -> InstrumentRefused:
        return InstrumentRefused(
            f"LJM {fault.errorCode}: {fault}",
            code=int(fault.errorCode),
            instrument=self._name,
            next_action="Close what else holds the device, and take the capture again.",
        )
