"""What samplers share whose maker gives a library and no bytes: finite captures, volts to codes, one error family.

A capture counts only when every channel gave every sample and nothing overflowed. Volts become codes of the board's
own step (range over 2^(bits - 1)), so that rails and quantisation mean the same as elsewhere. Libraries are loaded
when the sampler is opened; without one the error says what to install. NOT RUN ON HARDWARE: each adapter is tested
against a stand-in module that talks to the simulated world.
"""

from __future__ import annotations

import importlib
from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from drivers.roles import Identity, SamplerAbilities
from rig.errors import BadReply, LinkDown, UsageError
from rig.signal.waveform import Waveform

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class CapturePlan:
    """What the next captures are: half of full scale of each channel (V), rate asked for (Hz), samples a channel."""

    ranges_v: tuple[float, ...]
    rate_hz: float
    samples: int
    channels: tuple[str, ...]


class VendorSampler(ABC):
    """link: "kind://DEVICE"; what stands behind "://" is the device's name in its maker's own words.

    Subclasses say `library` (the module), `package` (what pip installs), `scheme` (of the link) and `needs`, and how to
    open, prepare, start, await and close.
    """

    library: ClassVar[str]
    scheme: ClassVar[str]
    package: ClassVar[str]
    needs: ClassVar[str]

    def __init__(self, name: str, link: str) -> None:
        self._name = name
        self._device = link.partition("://")[2]
        if not self._device:
            raise UsageError(f"{name}: link {link!r} names no device.", next_action=f"Write {self.scheme}://DEVICE.")
        self._identity: Identity | None = None
        self._abilities: SamplerAbilities | None = None
        self._plan: CapturePlan | None = None
        self._rate_hz = 0.0
        self._started = False

    @property
    def name(self) -> str:
        return self._name

    @property
    def abilities(self) -> SamplerAbilities:
        """As the device tells them; LinkDown before it was opened."""
        if self._abilities is None:
            raise LinkDown("not opened yet", instrument=self._name, next_action="Open it first.")
        return self._abilities

    def open(self) -> None:
        """Loads the maker's library, finds the device and asks what it can; energises nothing."""
        self._identity, self._abilities = self._connect(self._load())

    def identity(self) -> Identity:
        """Who answered when it was opened."""
        if self._identity is None:
            raise LinkDown("not opened yet", instrument=self._name, next_action="Open it first.")
        return self._identity

    def configure(
        self, *, ranges_v: Sequence[float], sample_rate_hz: float, samples: int, channels: Sequence[str]
    ) -> float:
        """Returns the rate in use, Hz. UsageError beyond the device's channels, ranges, rate or memory."""
        self.abilities.check_request(self._name, ranges_v=ranges_v, samples=samples, channels=channels)
        if sample_rate_hz > self._rate_limit_hz(len(channels)):
            limit_hz = self._rate_limit_hz(len(channels))
            raise UsageError(
                f"{self._name}: {sample_rate_hz:g} Hz on {len(channels)} channels; {limit_hz:g} Hz is its limit.",
                next_action="Lower sample_rate_hz in the bench file, and the excitation frequency if need be.",
            )
        chosen = tuple(self._range_for(range_v) for range_v in ranges_v)
        plan = CapturePlan(ranges_v=chosen, rate_hz=sample_rate_hz, samples=samples, channels=tuple(channels))
        self._plan, self._started = None, False
        self._rate_hz = self._prepare(plan)
        self._plan = plan
        return self._rate_hz

    def arm(self) -> None:
        """Ready for one trigger."""
        self._require_plan()
        self._started = False

    def trigger(self) -> None:
        """Starts the capture now; returns at once."""
        self._start(self._require_plan())
        self._started = True

    def wait_captured(self) -> None:
        """Returns when all samples are in; NoReply when they never are."""
        plan = self._require_plan()
        self._await(plan, plan.samples / self._rate_hz * 2.0 + 5.0)

    def fetch(self) -> Waveform:
        """The last capture. BadReply when a sample is missing or anything overflowed."""
        plan = self._require_plan()
        if not self._started:
            raise BadReply("no capture to read", instrument=self._name, next_action="Take the capture again.")
        volts = self._read(plan)
        if volts.shape != (len(plan.channels), plan.samples) or not np.isfinite(volts).all():
            raise BadReply(
                f"{volts.shape} samples came where {(len(plan.channels), plan.samples)} were asked for",
                instrument=self._name,
                exchange="read",
                next_action="Take the capture again.",
            )
        return self._waveform(plan, volts)

    def safe_state(self) -> None:
        """Stops a capture; it drives nothing."""
        if self._identity is not None:
            self._stop()

    def close(self) -> None:
        """Never raises."""
        self._plan = None
        self._disconnect()

    def _waveform(self, plan: CapturePlan, volts: Floats) -> Waveform:
        half = 2 ** (self.abilities.bits - 1)
        scale_v = np.array(plan.ranges_v) / half
        codes = np.clip(np.rint(volts / scale_v[:, None]), -half, half - 1)
        return Waveform(
            codes=codes.astype(np.int16 if self.abilities.bits <= 16 else np.int32),
            scale_v=scale_v,
            offset_v=np.zeros(len(plan.channels)),
            sample_rate_hz=self._rate_hz,
            channels=plan.channels,
            rail_low=-half,
            rail_high=half - 1,
            simultaneous=self.abilities.simultaneous,
        )

    def _range_for(self, range_v: float) -> float:
        fitting = [own for own in sorted(self.abilities.ranges_v) if own >= range_v * 0.999]
        if not fitting:
            raise UsageError(
                f"{self._name}: no range of {range_v:g} V; the largest is {max(self.abilities.ranges_v):g} V.",
                next_action="Lower range_v in the bench file.",
            )
        return fitting[0]

    def _rate_limit_hz(self, channels: int) -> float:
        del channels  # most devices have one limit a channel
        return self.abilities.max_rate_hz

    def _require_plan(self) -> CapturePlan:
        if self._plan is None:
            raise UsageError(f"{self._name}: not configured.", next_action="Call configure first.")
        return self._plan

    def _load(self) -> Any:
        try:
            return importlib.import_module(self.library)
        except ImportError as fault:
            raise UsageError(
                f"{self._name}: the library {self.library} is not installed ({fault}).",
                next_action=f"pip install {self.package}, and {self.needs} from the maker.",
            ) from fault

    @abstractmethod
    def _connect(self, library: Any) -> tuple[Identity, SamplerAbilities]: ...

    @abstractmethod
    def _prepare(self, plan: CapturePlan, /) -> float: ...  # the rate in use

    @abstractmethod
    def _start(self, plan: CapturePlan, /) -> None: ...

    @abstractmethod
    def _await(self, plan: CapturePlan, deadline_s: float, /) -> None: ...

    @abstractmethod
    def _read(self, plan: CapturePlan, /) -> Floats: ...  # (channels, samples) volts

    @abstractmethod
    def _stop(self) -> None: ...

    @abstractmethod
    def _disconnect(self) -> None: ...
