"""The [holder] section of a world file: how stator and rotor are held, and what is plugged into the adapter."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, field_validator, model_validator

from rig.description.loading import Strict
from rig.resolver.part import TERMINALS

_STRAIGHT_PINS = {name: i + 1 for i, name in enumerate(TERMINALS)}


class HolderWorld(Strict):
    """What holds the part. offset, tilt and axial seat of clamping `offset_clamping` only (0: of every clamping).

    angle_deg and angle_sigma_deg (mechanical): how the stator sits against the index; drawn at each clamping.
    stator_clamping: the clamping whose stator stays where it was (0: clamped anew each time); knock_mm: what a stator
    that stays is knocked by, another way in each clamping. rotor_deg, rotor_angles_deg, rotor_sigma_deg (mechanical):
    how far the rotor is turned ahead on the spindle; rotor_seat_mm: its centre on the arbor, drawn anew with it.
    fitted: what is plugged into the adapter. nudge: what the operator moved the stator by, toward nudge_deg from the
    index.
    broken_lead, bridged_leads: faults of the adapter's own leads. touched: terminal whose adapter pin the core clip is
    held on.
    """

    fitted: Literal["part", "shorting plug", "dummy", "nothing"] = "part"

    centring_sigma_mm: float = Field(default=0.01, ge=0)
    axial_sigma_mm: float = Field(default=0.02, ge=0)
    angle_sigma_deg: float = Field(default=0.2, ge=0)
    angle_deg: float = 0.0
    angles_deg: tuple[float, ...] = ()
    stator_clamping: int = Field(default=0, ge=0)
    knock_mm: float = Field(default=0.0, ge=0)
    rotor_deg: float = 0.0
    rotor_angles_deg: tuple[float, ...] = ()
    rotor_sigma_deg: float = Field(default=0.0, ge=0)
    rotor_seat_mm: float = Field(default=0.0, ge=0)
    offset_mm: float = Field(default=0.0, ge=0)
    offset_deg: float = 0.0
    tilt_mrad: float = Field(default=0.0, ge=0)
    tilt_deg: float = 0.0
    axial_mm: float = 0.0
    offset_clamping: int = Field(default=1, ge=0)
    nudge_mm: float = Field(default=0.0, ge=0)
    nudge_deg: float = 0.0
    nudge_axial_mm: float = 0.0
    broken_lead: str = ""
    bridged_leads: tuple[str, ...] = ()
    bridged_ohm: float = Field(default=0.5, ge=0)
    touched: str = ""
    lead_ohm: float = Field(default=0.08, ge=0)
    adapter: str = ""
    pins: dict[str, int] = Field(default_factory=lambda: dict(_STRAIGHT_PINS))

    @field_validator("pins", mode="before")
    @classmethod
    def _rest_by_default(cls, value: object) -> object:
        return {**_STRAIGHT_PINS, **value} if isinstance(value, dict) else value

    @model_validator(mode="after")
    def _pins(self) -> HolderWorld:
        told = (self.broken_lead, self.touched, *self.bridged_leads)
        named = [name for name in told if name and name not in TERMINALS]
        if named or len(self.bridged_leads) not in (0, 2):
            raise ValueError(f"broken_lead, touched, bridged_leads: one, one, two terminals of {', '.join(TERMINALS)}")
        unknown = [name for name in self.pins if name not in TERMINALS]
        if unknown:
            raise ValueError(f"pins: unknown terminals {unknown}; they are {', '.join(TERMINALS)}")
        missing = [name for name in TERMINALS[:6] if name not in self.pins]
        if missing:
            raise ValueError(f"pins: no pin for {', '.join(missing)}")
        if len(set(self.pins.values())) != len(self.pins):
            raise ValueError("pins: two terminals on one pin")
        if any(not 1 <= pin <= 12 for pin in self.pins.values()):
            raise ValueError("pins: adapter pins are 1 to 12")
        return self
