"""What kind of temperature sensor a circuit may be, by its resistance at room temperature and its two polarities.

It must never know a part number, and it says so when several kinds fit: a cold reading can't tell them apart, warming
by hand or an inductance can. Values: NTC 2.2 k to 100 k, PTC to DIN 44081, Pt1000 to IEC 60751,
silicon types 600, 1000 and 2000 ohm, polarised, taken for 10 to 35 degC.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from rig.resolver.thermistor import pt_resistance, resistance_ohm

ROOM_DEGC = (10.0, 35.0)
NTC_R25_OHM = (1e3, 2.2e3, 3e3, 5e3, 10e3, 20e3, 30e3, 50e3, 100e3, 200e3)
NTC_BETA_K = (3380.0, 3988.0)
SILICON_R25_OHM = (603.0, 1000.0, 2000.0)
PTC_COLD_OHM = (20.0, 750.0)
WARM = (
    "Warm it by hand by a few kelvin and read again: NTC falls by about 4 % a kelvin, Pt1000 rises by 0.4 %, silicon "
    "by 0.8 %, a cold PTC hardly moves."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorKind:
    """kinds: what fits, likeliest first; note: why; r25_ohm: nominal of an NTC or silicon type that fits."""

    kinds: tuple[str, ...]
    note: str
    r25_ohm: float | None = None

    @property
    def kind(self) -> str:
        """The kind when only one fits, else "undecided"."""
        return self.kinds[0] if len(self.kinds) == 1 else "undecided"


def sensor_kind(ohm: float, *, one_way: bool = False, both_ways: bool = False) -> SensorKind:
    """Kinds that fit a resistance (ohm, > 0). one_way: the polarities differ; both_ways: both were read and agree."""
    if one_way:
        return SensorKind(
            kinds=("silicon",),
            note="resistance depends on polarity: a silicon sensor; high terminal where it reads higher",
            r25_ohm=_silicon(ohm),
        )
    kinds: list[str] = []
    low, high = (pt_resistance(t) for t in ROOM_DEGC)
    if low <= ohm <= high:
        kinds.append("pt1000")
    silicon = _silicon(ohm)
    if silicon is not None and not both_ways:
        kinds.append("silicon")
    ntc = _ntc(ohm)
    if ntc is not None or ohm >= 2.5e3:
        kinds.append("ntc")
    if PTC_COLD_OHM[0] <= ohm <= PTC_COLD_OHM[1]:
        kinds.append("ptc")
    if not kinds:
        return SensorKind(
            kinds=("ntc", "ptc", "silicon"), note=f"no usual sensor reads {ohm:.4g} ohm at room temperature"
        )
    if kinds == ["ntc"]:
        near = f"near the law of a {ntc / 1e3:g} kohm one" if ntc else "of no usual nominal value"
        return SensorKind(kinds=("ntc",), note=f"kiloohms, the same both ways, {near}", r25_ohm=ntc)
    r25 = silicon if kinds[0] == "silicon" else ntc if kinds[0] == "ntc" else None
    return SensorKind(kinds=tuple(kinds), note=f"{ohm:.5g} ohm cold fits {' and '.join(kinds)}", r25_ohm=r25)


def could_be_ptc(ohm: float) -> bool:
    """Whether a cold PTC (one or a chain of three) may have this resistance: it looks like a coil to an ohmmeter."""
    return PTC_COLD_OHM[0] <= ohm <= PTC_COLD_OHM[1]


def _ntc(ohm: float) -> float | None:
    """The usual nominal value whose law passes nearest, if it passes by at room temperature."""
    fitting = []
    for r25 in NTC_R25_OHM:
        ends = [
            resistance_ohm("ntc", t, r25_ohm=r25, beta_k=beta)
            for t in (ROOM_DEGC[0], ROOM_DEGC[1])
            for beta in NTC_BETA_K
        ]
        if min(ends) <= ohm <= max(ends):
            fitting.append(r25)
    return min(fitting, key=lambda r25: abs(math.log(ohm / r25)), default=None)


def _silicon(ohm: float) -> float | None:
    """The silicon type whose law passes by at room temperature."""
    for r25 in SILICON_R25_OHM:
        low, high = (resistance_ohm("silicon", t, r25_ohm=r25) for t in ROOM_DEGC)
        if low * 0.95 <= ohm <= high:
            return r25
    return None
