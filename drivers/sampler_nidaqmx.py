"""National Instruments boards through nidaqmx: ni://Dev1. NOT RUN ON HARDWARE.

Finite, re-armed captures on the board's own clock. On multiplexed boards the channels follow each other by the
convert clock: that skew is stated, and the waveform says that it is not simultaneous. A task is stopped and closed on
every path, so that the next one does not find its resource reserved.
Source: NI-DAQmx Python API documentation (Task, ai_channels.add_ai_voltage_chan, timing.cfg_samp_clk_timing, read,
DaqError); NI-DAQmx help, "Multichannel scanning considerations" (convert clock).
"""

from __future__ import annotations

from typing import Any, ClassVar

import numpy as np

from drivers.roles import Identity, SamplerAbilities
from drivers.vendor_capture import CapturePlan, Floats, VendorSampler
from rig.errors import BenchError, InstrumentRefused, LinkDown, NoReply

MAX_SAMPLES = 1_000_000
TIMED_OUT = (-200284, -200560)  # samples not yet available; wait until done timed out


class SamplerNidaqmx(VendorSampler):
    """Differential inputs ai0 onwards, in the order of the channels. bits: of the converter."""

    library: ClassVar[str] = "nidaqmx"
    scheme: ClassVar[str] = "ni"
    package: ClassVar[str] = "nidaqmx"
    needs: ClassVar[str] = "the NI-DAQmx runtime"

    def __init__(self, name: str, link: str, *, bits: int = 16) -> None:
        super().__init__(name, link)
        self._bits = bits
        self._daq: Any = None
        self._task: Any = None

    def _connect(self, library: Any) -> tuple[Identity, SamplerAbilities]:
        self._daq = library
        with _Translated(self):
            device = next((d for d in library.system.System.local().devices if d.name == self._device), None)
            if device is None:
                raise LinkDown(
                    f"no device {self._device}",
                    instrument=self._name,
                    next_action="Look up its name in NI's hardware configuration.",
                )
            serial = f"{'SIM' if device.is_simulated else ''}{device.serial_num:08X}"
            identity = Identity(maker="NI", model=device.product_type, serial=serial, firmware="")
            simultaneous = bool(device.ai_simultaneous_sampling_supported)
            inputs = min(8, len(device.ai_physical_chans))
            highs = sorted({float(high) for high in list(device.ai_voltage_rngs)[1::2] if high > 0})
            return identity, SamplerAbilities(
                simultaneous=simultaneous,
                channels=inputs,
                bits=self._bits,
                max_rate_hz=float(device.ai_max_single_chan_rate if simultaneous else device.ai_max_multi_chan_rate),
                max_samples=MAX_SAMPLES,
                ranges_v=tuple(highs),
                skew_s=tuple(0.0 for _ in range(inputs)),
            )

    def _rate_limit_hz(self, channels: int) -> float:
        can = self.abilities
        return can.max_rate_hz if can.simultaneous else can.max_rate_hz / channels

    def _prepare(self, plan: CapturePlan) -> float:
        self._disconnect()
        with _Translated(self):
            self._task = self._daq.Task()
            for i, range_v in enumerate(plan.ranges_v):
                self._task.ai_channels.add_ai_voltage_chan(f"{self._device}/ai{i}", min_val=-range_v, max_val=range_v)
            finite = self._daq.constants.AcquisitionType.FINITE
            self._task.timing.cfg_samp_clk_timing(plan.rate_hz, sample_mode=finite, samps_per_chan=plan.samples)
            if not self.abilities.simultaneous:
                step_s = 1.0 / float(self._task.timing.ai_conv_rate)
                self._abilities = _with_skew(self.abilities, step_s)
            return float(self._task.timing.samp_clk_rate)

    def _start(self, _plan: CapturePlan, /) -> None:
        with _Translated(self):
            self._task.stop()
            self._task.start()

    def _await(self, _plan: CapturePlan, deadline_s: float, /) -> None:
        with _Translated(self):
            self._task.wait_until_done(timeout=deadline_s)

    def _read(self, plan: CapturePlan) -> Floats:
        with _Translated(self):
            data = self._task.read(number_of_samples_per_channel=plan.samples, timeout=1.0)
            self._task.stop()
        return np.atleast_2d(np.asarray(data, dtype=np.float64))

    def _stop(self) -> None:
        if self._task is not None:
            with _Translated(self):
                self._task.stop()

    def _disconnect(self) -> None:
        task, self._task = self._task, None
        if task is not None:
            try:
                task.close()
            except self._daq.errors.DaqError:
                return  # the device is gone already

    def translate(self, fault: Any) -> BenchError:
        """One of ours for the library's error, with its number."""
        code = int(fault.error_code)
        kind = NoReply if code in TIMED_OUT else None
        if kind is not None:
            return NoReply(f"NI-DAQmx {code}: {fault}", instrument=self._name, next_action="Check clock and cable.")
        return InstrumentRefused(
            f"NI-DAQmx {code}: {fault}",
            code=code,
            instrument=self._name,
            next_action="Close what else holds the device, and take the capture again.",
        )

    @property
    def daq_error(self) -> type[Exception]:
        """The library's own error."""
        error: type[Exception] = self._daq.errors.DaqError
        return error


class _Translated:
    """Turns the library's errors into ours."""

    def __init__(self, sampler: SamplerNidaqmx) -> None:
        self._sampler = sampler

    def __enter__(self) -> None: ...

    def __exit__(self, kind: type[BaseException] | None, fault: BaseException | None, trace: object) -> None:
        if fault is not None and isinstance(fault, self._sampler.daq_error):
            raise self._sampler.translate(fault) from fault


def _with_skew(can: SamplerAbilities, step_s: float) -> SamplerAbilities:
    return SamplerAbilities(
        simultaneous=can.simultaneous,
        channels=can.channels,
        bits=can.bits,
        max_rate_hz=can.max_rate_hz,
        max_samples=can.max_samples,
        ranges_v=can.ranges_v,
        skew_s=tuple(i * step_s for i in range(can.channels)),
    )
