"""Measurement Computing boards through uldaq: mcc://SERIAL (or mcc://any). NOT RUN ON HARDWARE.

One finite scan a capture, each channel on a range of its own by the board's queue. Boards whose inputs are sampled at
once (USB-1808X class) are named in a row; all others are stated as one after the other.
Source: uldaq Python API documentation (get_daq_device_inventory, DaqDevice, AiDevice.a_in_load_queue, a_in_scan,
get_scan_status, ULException); MCC USB-1808 Series User's Guide (simultaneous, 18 bits, 200 kS/s a channel).
"""

from __future__ import annotations

import time
from typing import Any, ClassVar

import numpy as np

from drivers.roles import Identity, SamplerAbilities
from drivers.vendor_capture import CapturePlan, Floats, VendorSampler
from rig.errors import InstrumentRefused, LinkDown, NoReply

RANGES_V = {"BIP10VOLTS": 10.0, "BIP5VOLTS": 5.0, "BIP2VOLTS": 2.0, "BIP1VOLTS": 1.0}
SIMULTANEOUS = ("USB-1808", "USB-1808X", "USB-1608FS-PLUS")
MAX_SAMPLES = 1_000_000
POLL_S = 0.002


class SamplerUldaq(VendorSampler):
    """Differential inputs from 0, in the order of the channels."""

    library: ClassVar[str] = "uldaq"
    scheme: ClassVar[str] = "mcc"
    package: ClassVar[str] = "uldaq"
    needs: ClassVar[str] = "libuldaq"

    def __init__(self, name: str, link: str) -> None:
        super().__init__(name, link)
        self._ul: Any = None
        self._board: Any = None
        self._inputs: Any = None
        self._ranges: dict[float, Any] = {}
        self._buffer: Any = None
        self._true_rate_hz = 0.0

    def _connect(self, library: Any) -> tuple[Identity, SamplerAbilities]:
        self._ul = library
        found = library.get_daq_device_inventory(library.InterfaceType.ANY)
        mine = next((d for d in found if self._device in ("any", d.unique_id)), None)
        if mine is None:
            raise LinkDown(
                f"no board {self._device!r} among {[d.unique_id for d in found]}",
                instrument=self._name,
                next_action="Plug it in, or correct its serial in the link.",
            )
        try:
            self._board = library.DaqDevice(mine)
            self._board.connect()
            self._inputs = self._board.get_ai_device()
            info = self._inputs.get_info()
            own = {range_.name: range_ for range_ in info.get_ranges(library.AiInputMode.DIFFERENTIAL)}
            self._ranges = {volts: own[name] for name, volts in RANGES_V.items() if name in own}
            simultaneous = mine.product_name in SIMULTANEOUS
            abilities = SamplerAbilities(
                simultaneous=simultaneous,
                channels=int(info.get_num_chans_by_mode(library.AiInputMode.DIFFERENTIAL)),
                bits=int(info.get_resolution()),
                max_rate_hz=float(info.get_max_scan_rate()),
                max_samples=MAX_SAMPLES,
                ranges_v=tuple(sorted(self._ranges)),
                skew_s=(0.0,) * 4,
            )
        except library.ULException as fault:
            raise self._refusal(fault) from fault
        identity = Identity(maker="MCC", model=mine.product_name, serial=mine.unique_id, firmware="")
        return identity, abilities

    def _rate_limit_hz(self, channels: int) -> float:
        return self.abilities.max_rate_hz / (1 if self.abilities.simultaneous else channels)

    def _prepare(self, plan: CapturePlan) -> float:
        mode = self._ul.AiInputMode.DIFFERENTIAL
        queue = [self._ul.AiQueueElement(i, mode, self._ranges[r], None) for i, r in enumerate(plan.ranges_v)]
        try:
            self._inputs.a_in_load_queue(queue)
        except self._ul.ULException as fault:
            raise self._refusal(fault) from fault
        self._buffer = self._ul.create_float_buffer(len(plan.channels), plan.samples)
        return plan.rate_hz

    def _start(self, plan: CapturePlan) -> None:
        ul = self._ul
        last = len(plan.channels) - 1
        try:
            self._rate_hz = float(
                self._inputs.a_in_scan(
                    0,
                    last,
                    ul.AiInputMode.DIFFERENTIAL,
                    self._ranges[plan.ranges_v[0]],
                    plan.samples,
                    plan.rate_hz,
                    ul.ScanOption.DEFAULTIO,
                    ul.AInScanFlag.DEFAULT,
                    self._buffer,
                )
            )
        except ul.ULException as fault:
            raise self._refusal(fault) from fault

    def _await(self, _plan: CapturePlan, deadline_s: float, /) -> None:
        end_s = time.monotonic() + deadline_s
        try:
            while self._inputs.get_scan_status()[0] != self._ul.ScanStatus.IDLE:
                if time.monotonic() > end_s:
                    raise NoReply(f"the scan did not end within {deadline_s:g} s", instrument=self._name)
                time.sleep(POLL_S)
        except self._ul.ULException as fault:
            raise self._refusal(fault) from fault

    def _read(self, plan: CapturePlan) -> Floats:
        try:
            transferred = int(self._inputs.get_scan_status()[1].current_total_count)
        except self._ul.ULException as fault:
            raise self._refusal(fault) from fault
        flat = np.array(self._buffer[:transferred], dtype=np.float64)
        whole = len(flat) // len(plan.channels) * len(plan.channels)
        return flat[:whole].reshape(-1, len(plan.channels)).T

    def _stop(self) -> None:
        try:
            self._inputs.scan_stop()
        except self._ul.ULException as fault:
            raise self._refusal(fault) from fault

    def _disconnect(self) -> None:
        board, self._board = self._board, None
        if board is not None:
            try:
                board.disconnect()
                board.release()
            except self._ul.ULException:
                return  # the board is gone already

    def _refusal(self, fault: Any) -> InstrumentRefused:
        return InstrumentRefused(
            f"uldaq {int(fault.error_code)}: {fault.error_message}",
            code=int(fault.error_code),
            instrument=self._name,
            next_action="Unplug and plug the board in again; take the capture again.",
        )
