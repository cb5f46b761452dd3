"""The part's own section of a world file: geometry, turns, copper, thermistor, and everything that is wrong with it.

Units and defaults: fixtures/README.md.
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field, model_validator

from rig.description.loading import Strict

CoilOrNone = Literal["", "exc", "sin", "cos"]


class Thermistor(Strict):
    """r25_ohm: of "ntc", "ptc" and "silicon" at 25 degC. dissipation_mw_k 0: the meter's current does not heat it."""

    kind: Literal["ntc", "ptc", "pt1000", "silicon", "none"] = "ntc"
    r25_ohm: float = Field(default=10_000.0, gt=0)
    beta_k: float = Field(default=3435.0, gt=0)
    dissipation_mw_k: float = Field(default=0.0, ge=0)


class PartFaults(Strict):
    """What is wrong with the part; a fault that is not set is absent. Angles are mechanical degrees."""

    open: Literal["", "exc", "sin", "cos", "thermistor"] = ""
    open_above_degc: float | None = None
    shorted_coil: CoilOrNone = ""
    shorted_tooth: int = Field(default=1, ge=1)
    shorted_turns: int = Field(default=0, ge=0)
    short_ohm: float = Field(default=0.4, ge=0)
    leak_exc_sin_ohm: float | None = Field(default=None, gt=0)
    leak_exc_cos_ohm: float | None = Field(default=None, gt=0)
    leak_sin_cos_ohm: float | None = Field(default=None, gt=0)
    leak_exc_core_ohm: float | None = Field(default=None, gt=0)
    leak_sin_core_ohm: float | None = Field(default=None, gt=0)
    leak_cos_core_ohm: float | None = Field(default=None, gt=0)
    leak_thermistor_ohm: float | None = Field(default=None, gt=0)
    leak_from: float = Field(default=1.0, ge=0, le=1)
    leak_to: float = Field(default=1.0, ge=0, le=1)
    moisture: float = Field(default=0.0, ge=0, le=1)
    contact_exc_ohm: float = Field(default=0.0, ge=0)
    contact_sin_ohm: float = Field(default=0.0, ge=0)
    contact_cos_ohm: float = Field(default=0.0, ge=0)
    intermittent_exc_ohm: float = Field(default=0.0, ge=0)
    intermittent_sin_ohm: float = Field(default=0.0, ge=0)
    intermittent_cos_ohm: float = Field(default=0.0, ge=0)
    intermittent_s: tuple[tuple[float, float], ...] = ()
    intermittent_every_s: float = Field(default=0.0, ge=0)
    static_offset_mm: float = Field(default=0.0, ge=0)
    static_offset_deg: float = 0.0
    runout_mm: float = Field(default=0.0, ge=0)
    runout_deg: float = 0.0
    tilt_mrad: float = Field(default=0.0, ge=0)
    tilt_deg: float = 0.0
    axial_mm: float = 0.0
    weak_lobe: int = Field(default=0, ge=0)
    weak_lobe_fraction: float = Field(default=0.0, ge=0, le=1)
    swap_sin_cos: bool = False
    reverse_exc: bool = False
    reverse_sin: bool = False
    reverse_cos: bool = False
    rotor: Literal["fitted", "missing"] = "fitted"
    rotor_slip_deg_per_turn: float = 0.0
    magnetised_v_per_krpm: float = 0.0
    thermistor_offset_degc: float = 0.0

    @model_validator(mode="after")
    def _consistent(self) -> PartFaults:
        if self.open_above_degc is not None and not self.open:
            raise ValueError("open_above_degc needs `open` to say which coil opens")
        if self.shorted_turns and not self.shorted_coil:
            raise ValueError("shorted_turns needs `shorted_coil` to say which coil")
        if any(end <= begin for begin, end in self.intermittent_s):
            raise ValueError("intermittent_s: each pair is [from, to] in bench seconds, from before to")
        return self

    def loose_ohm(self, coil: str, t_s: float) -> float:
        """What an intermittent contact adds to a coil at a bench time."""
        every = self.intermittent_every_s
        at_s = t_s % every if every else t_s
        now = any(begin <= at_s < end for begin, end in self.intermittent_s)
        return float(getattr(self, f"intermittent_{coil}_ohm")) if now else 0.0


class PartWorld(Strict):
    """Geometry, turns and copper of the true part. lobes None: as many as pole pairs."""

    pole_pairs: int = Field(default=4, ge=1, le=32)
    teeth: int = Field(default=16, ge=4, le=96)
    lobes: int | None = Field(default=None, ge=1, le=64)
    gap_mean_mm: float = Field(default=0.70, gt=0, le=10)
    lobe_mm: float = Field(default=0.38, ge=0)
    lobe_shape: Literal["permeance", "gap"] = "permeance"
    bore_radius_mm: float = Field(default=32.0, gt=0)
    stack_mm: float = Field(default=9.0, gt=0)
    tooth_fraction: float = Field(default=0.64, gt=0, le=1)
    turns_exc: int = Field(default=24, ge=1)
    turns_out: int = Field(default=32, ge=1)
    leakage: float = Field(default=0.15, ge=0)
    r20_exc_ohm: float = Field(default=9.0, gt=0)
    r20_sin_ohm: float = Field(default=15.0, gt=0)
    r20_cos_ohm: float = Field(default=15.0, gt=0)
    gap_scatter: float = Field(default=0.005, ge=0, lt=0.3)
    core_loss_deg: float = Field(default=0.5, ge=0, lt=45)
    c_winding_pf: float = Field(default=80.0, ge=0)
    thermistor: Thermistor = Thermistor()
    faults: PartFaults = PartFaults()

    @property
    def lobe_count(self) -> int:
        """Lobes of the rotor that is fitted."""
        return self.pole_pairs if self.lobes is None else self.lobes

    @model_validator(mode="after")
    def _buildable(self) -> PartWorld:
        if self.teeth % 2:
            raise ValueError(f"teeth = {self.teeth}: an odd tooth count can't carry alternating excitation; even it")
        if self.teeth == 2 * self.pole_pairs:
            raise ValueError(
                f"teeth = {self.teeth} is 2 x pole pairs: one of the two outputs sees no lobe; choose more"
            )
        if self.lobe_mm >= self.gap_mean_mm:
            raise ValueError(f"the gap closes: lobe_mm {self.lobe_mm} is not below gap_mean_mm {self.gap_mean_mm}")
        if self.faults.weak_lobe > self.lobe_count:
            raise ValueError(f"weak_lobe {self.faults.weak_lobe}: the rotor has {self.lobe_count} lobes")
        if abs(self.faults.axial_mm) >= self.stack_mm:
            raise ValueError(f"axial_mm {self.faults.axial_mm} leaves no overlap of a stack of {self.stack_mm} mm")
        return self

    def r20_ohm(self, coil: str) -> float:
        """Copper resistance of a coil at 20 degC, before any fault."""
        return {"exc": self.r20_exc_ohm, "sin": self.r20_sin_ohm, "cos": self.r20_cos_ohm}[coil]
