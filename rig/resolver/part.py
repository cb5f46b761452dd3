"""What is known of a part number before it is measured: pins, pole pairs, conventions, excitation, limits.

Plain frozen data; rig/description/parts.py reads it from TOML. It must never know a file, an instrument or a measured
value. Definitions: rig/evaluation/README.md, 1.
Conventions: positive rotation is counter-clockwise seen from `positive_rotation`'s side; output equations
    V_sine   = TR * V_exc * sin(p * theta_mech)
    V_cosine = TR * V_exc * cos(p * theta_mech)
with the high terminal of each coil positive.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from rig.quantity import Limit

COILS = ("exc", "sin", "cos")
TERMINALS = ("exc_hi", "exc_lo", "sin_hi", "sin_lo", "cos_hi", "cos_lo", "thermistor_hi", "thermistor_lo")


@dataclass(frozen=True, slots=True, kw_only=True)
class Excitation:
    """Nominal level at the coil (V rms) and frequency (Hz), and the ceilings never to be passed (V rms, A rms)."""

    level_v_rms: float
    frequency_hz: float
    ceiling_v_rms: float
    ceiling_a_rms: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CoilNominal:
    """Nominal resistance at 20 degC (ohm) and the relative tolerance within which the coil is recognised."""

    r20_ohm: float
    tolerance: float = 0.15


@dataclass(frozen=True, slots=True, kw_only=True)
class ThermistorNominal:
    """kind: "ntc", "ptc", "pt1000", "silicon" or "none". beta_range_degc: where the beta law may be used."""

    kind: str
    r25_ohm: float | None = None
    beta_k: float | None = None
    beta_range_degc: tuple[float, float] = (0.0, 100.0)
    source: str = "indicative"


@dataclass(frozen=True, slots=True, kw_only=True)
class DecisionRule:
    """name: "simple" (w = 0) or "guard band" (w = r U); fixed before the first reading."""

    name: str = "guard band"
    r: float = 1.0

    @property
    def multiplier(self) -> float:
        """w / U."""
        return 0.0 if self.name == "simple" else self.r


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """A part number's description. pins: terminal -> connector pin name. coils: coil -> nominal, where known."""

    number: str
    revision: str
    title: str
    pole_pairs: int
    positive_rotation: str
    pins: Mapping[str, str]
    excitation: Excitation
    coils: Mapping[str, CoilNominal] = field(default_factory=dict)
    thermistor: ThermistorNominal = ThermistorNominal(kind="none")
    limits: tuple[Limit, ...] = ()
    teeth: int | None = None
    empty_pins: tuple[str, ...] = ()
    decision: DecisionRule = DecisionRule()
    notes: str = ""

    def limit(self, measurand: str) -> Limit | None:
        """The limit of a measurand, or None: no limit is never a pass."""
        return next((limit for limit in self.limits if limit.measurand == measurand), None)

    @property
    def equations(self) -> tuple[str, str]:
        """The two output equations, as they are printed."""
        p = self.pins
        return (
            f"V({p['sin_hi']}-{p['sin_lo']}) = TR · V({p['exc_hi']}-{p['exc_lo']}) · sin({self.pole_pairs} θ mech)",
            f"V({p['cos_hi']}-{p['cos_lo']}) = TR · V({p['exc_hi']}-{p['exc_lo']}) · cos({self.pole_pairs} θ mech)",
        )
