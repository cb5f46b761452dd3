"""What may be asked of a sampler at all: as many ranges as channels, and what its abilities hold.

It must never know a link or a library.
"""

from __future__ import annotations

from collections.abc import Sequence

from drivers.roles import SamplerAbilities
from rig.errors import UsageError


def check_request(
    name: str, can: SamplerAbilities, *, ranges_v: Sequence[float], samples: int, channels: Sequence[str]
) -> None:
    """UsageError when channels, ranges or samples are beyond what the sampler is."""
    if len(ranges_v) != len(channels) or not 1 <= len(channels) <= can.channels:
        raise UsageError(f"{name}: {len(ranges_v)} ranges for {len(channels)} of {can.channels} channels.")
    if not 1 <= samples <= can.max_samples:
        raise UsageError(f"{name}: {samples} samples; 1 to {can.max_samples} are possible.")
