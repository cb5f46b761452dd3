"""An instrument as it answered, beside what the bench file says of it: what a run's header carries of it.

It must never know what the instrument is used for.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from drivers.roles import Identity
from rig.description.benches import Device


@dataclass(frozen=True, slots=True, kw_only=True)
class Identified:
    """An instrument as it answered, beside what the bench file says of it."""

    role: str
    name: str
    identity: Identity
    device: Device

    def to_dict(self) -> dict[str, Any]:
        """As it stands in a run's header."""
        d = self.device
        return {
            "role": self.role,
            "name": self.name,
            "maker": self.identity.maker,
            "model": self.identity.model,
            "serial": self.identity.serial,
            "firmware": self.identity.firmware,
            "asset": d.asset,
            "driver": d.driver,
            "link": d.link,
            "calibrated": d.calibrated.isoformat() if d.calibrated else None,
            "due": d.due.isoformat() if d.due else None,
            "certificate": d.certificate,
            "laboratory": d.laboratory,
            "accreditation": d.accreditation,
        }
