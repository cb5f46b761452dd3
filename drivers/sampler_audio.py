"""A USB audio interface as sampler, through sounddevice: audio://hw:2,0 (a hardware device, never a resampling one).

Channels share one clock. Inputs are AC coupled and their gain is nobody's promise: `full_scale_v`, found with a known
signal, says what full scale is, and knobs have to be locked. An overflow that the library reports spoils the capture.
The stream runs from arming on; the trigger says which sample is the first. NOT RUN ON HARDWARE.
Source: python-sounddevice documentation (InputStream, callback status, query_devices).
"""

from __future__ import annotations

import threading
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from drivers.roles import Identity, SamplerAbilities
from drivers.vendor_capture import CapturePlan, Floats, VendorSampler
from rig.errors import BadReply, InstrumentRefused, LinkDown, NoReply, UsageError

BITS = 24
MAX_SAMPLES = 2_000_000


class SamplerAudio(VendorSampler):
    """full_scale_v: volts at the input connector that give full scale, with the knobs as they are locked."""

    library: ClassVar[str] = "sounddevice"
    scheme: ClassVar[str] = "audio"
    package: ClassVar[str] = "sounddevice"
    needs: ClassVar[str] = "PortAudio"

    def __init__(self, name: str, link: str, *, full_scale_v: float = 1.0) -> None:
        super().__init__(name, link)
        self._full_scale_v = full_scale_v
        self._sd: Any = None
        self._stream: Any = None
        self._blocks: list[NDArray[np.int32]] = []
        self._taking = False
        self._missing = 0
        self._overflowed = False
        self._full = threading.Event()

    def _connect(self, library: Any) -> tuple[Identity, SamplerAbilities]:
        if "hw:" not in self._device:
            raise UsageError(
                f"{self._name}: {self._device!r} is no hardware device, and may resample.",
                next_action="Write audio://hw:CARD,DEVICE.",
            )
        self._sd = library
        try:
            device = library.query_devices(self._device, "input")
        except (ValueError, library.PortAudioError) as fault:
            raise LinkDown(f"no audio device {self._device!r} ({fault})", instrument=self._name) from fault
        abilities = SamplerAbilities(
            simultaneous=True,
            channels=int(device["max_input_channels"]),
            bits=BITS,
            max_rate_hz=192_000.0,
            max_samples=MAX_SAMPLES,
            ranges_v=(self._full_scale_v,),
            skew_s=(0.0,) * int(device["max_input_channels"]),
        )
        return Identity(maker="audio", model=str(device["name"]), serial="", firmware=""), abilities

    def _prepare(self, plan: CapturePlan) -> float:
        self._disconnect()
        try:
            self._stream = self._sd.InputStream(
                device=self._device,
                channels=len(plan.channels),
                samplerate=plan.rate_hz,
                dtype="int32",
                callback=self._take,
            )
            self._stream.start()
        except (ValueError, self._sd.PortAudioError) as fault:
            raise InstrumentRefused(
                f"it takes no stream of {plan.rate_hz:g} Hz: {fault}",
                instrument=self._name,
                next_action="Choose a rate that the interface has, such as 192000, 96000 or 48000.",
            ) from fault
        return float(self._stream.samplerate)

    def _take(self, data: NDArray[np.int32], frames: int, _time: object, status: Any) -> None:
        """The library's callback, in its own thread."""
        if not self._taking:
            return
        self._overflowed |= bool(status.input_overflow)
        self._blocks.append(data[: self._missing].copy())
        self._missing -= min(frames, self._missing)
        if not self._missing:
            self._taking = False
            self._full.set()

    def _start(self, plan: CapturePlan) -> None:
        self._blocks, self._missing, self._overflowed = [], plan.samples, False
        self._full.clear()
        self._taking = True

    def _await(self, plan: CapturePlan, deadline_s: float) -> None:
        if not self._full.wait(deadline_s):
            self._taking = False
            raise NoReply(f"{self._missing} of {plan.samples} samples are missing", instrument=self._name)

    def _read(self, plan: CapturePlan) -> Floats:
        if self._overflowed:
            raise BadReply(
                "samples were lost on the way (input overflow)",
                instrument=self._name,
                exchange="capture",
                next_action="Take the capture again; close other programs that use much of the processor.",
            )
        codes = np.concatenate(self._blocks) if self._blocks else np.zeros((0, len(plan.channels)), np.int32)
        return (codes / 2.0**31 * self._full_scale_v).T

    def _stop(self) -> None:
        self._taking = False

    def _disconnect(self) -> None:
        stream, self._stream = self._stream, None
        if stream is not None:
            try:
                stream.close()
            except self._sd.PortAudioError:
                return  # the interface is gone already
