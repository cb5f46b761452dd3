"""An instrument of a bench: from its section to its driver, and as it answered beside what the file says of it.

It must never know what the instrument is used for. It opens nothing: `bench` does, in the order given here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from drivers.roles import Identity, Instrument
from rig.description.benches import Device
from rig.errors import WrongInstrument

OPTIONS: Mapping[str, tuple[str, ...]] = {
    "multimeter": ("line_hz",),
    "generator": ("channel",),
    "sampler": ("bits", "full_scale_v"),
    "axis": ("full_steps", "microsteps", "max_deg_s", "accel_deg_s2", "address"),
    "encoder": ("decimals",),
    "switch": ("relays", "address"),
    "interlock": (
        *("channel", "guard_bit", "stop_bit", "arm_bit", "bypass_bit", "mirror_bit", "enable_channel", "enable_bit"),
        *("address", "guard_line", "stop_line", "settle_s"),
    ),
    "climate": ("address", "function", "register", "scale"),
}
ORDER = ("generator", "switch", "axis", "interlock", "multimeter", "sampler", "encoder", "climate")
OVERLAID = "simulated"  # link of an instrument that the simulated bench serves


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


def identify(role: str, instrument: Instrument, device: Device, today: date, *, allow_overdue: bool) -> Identified:
    """Who answers in this role. WrongInstrument for another serial number, or a calibration that is overdue."""
    identity = instrument.identity()
    if device.serial and identity.serial != device.serial:
        raise WrongInstrument(
            f"serial {identity.serial} answers, the bench file says {device.serial}",
            instrument=instrument.name,
            next_action=f"Connect the right one, or change {role}.serial in the bench file.",
        )
    if device.due is not None and device.due < today and not (identity.is_simulated or allow_overdue):
        raise WrongInstrument(
            f"calibration was due on {device.due.isoformat()}",
            instrument=instrument.name,
            next_action="Have it calibrated, or allow an overdue instrument for this run (it will be printed).",
        )
    return Identified(role=role, name=instrument.name, identity=identity, device=device)


def device_options(role: str, device: Device) -> dict[str, Any]:
    """What the section says to its driver; a key of the file that this driver does not take is refused."""
    from drivers.shelf import check_options, options_of

    section, known = device.model_dump(by_alias=True), options_of(device.driver, role)
    written = device.model_dump(by_alias=True, exclude_unset=True)
    keys = (key for key in OPTIONS.get(role, ()) if section[key] is not None and (key in known or key in written))
    options = {key: section[key] for key in keys}
    check_options(device.driver, role, options)
    return options


def build(role: str, device: Device) -> Instrument:
    """The driver of a section, closed."""
    from drivers.shelf import open_driver

    return open_driver(device.driver, device.link, role, **device_options(role, device))


def for_watchdog(role: str, device: Device) -> dict[str, Any]:
    """What the watchdog has to know to open this instrument by itself."""
    return {"driver": device.driver, "link": device.link, "name": role, "options": device_options(role, device)}
