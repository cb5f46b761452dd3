"""The temperature of the copper: probe beside the part, the part's own thermistor as a witness, drift over the run.

It must never know a coil. Rule (rig/evaluation/README.md, 1): what matters is the coil's temperature; after
the soak it is taken as
the air's, with the difference between part and air as an influence. Units: degC and K.
"""

from __future__ import annotations

from dataclasses import dataclass

from rig.evaluation.coils.thermistor import Thermometer, read_thermistor
from rig.evaluation.results import half_width, standard
from rig.observed import Observed
from rig.uncertainty.budget import BudgetLine

SOAKED_K = 0.1  # difference between a soaked part and the air beside it, standard
CURVE_K = 0.1  # a thermistor against its own curve, half-width
UNWITNESSED_K = 0.5  # the same where no thermistor bears witness
AGREES_K = 2.0  # thermistor and air within this after the soak (rig/evaluation/README.md, 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class CoilTemperature:
    """degc: the coil's temperature; lines: influences in K; drift_k: air after less air before (None: one reading)."""

    degc: float
    lines: tuple[BudgetLine, ...]
    air_degc: float
    drift_k: float | None
    thermometer: Thermometer | None

    @property
    def thermistor_minus_air_k(self) -> float | None:
        """How far the part's own thermistor stands from the air; None without a thermistor reading."""
        return None if self.thermometer is None else self.thermometer.degc - self.air_degc


def coil_temperature(obs: Observed) -> CoilTemperature | None:
    """The coil's temperature and what is uncertain about it; None when no air temperature was read."""
    air = obs.numbers("ambient_temperature")
    if not air:
        return None
    before = obs.numbers("ambient_temperature", phase="before")
    after = obs.numbers("ambient_temperature", phase="after")
    at_dc = sum(before or air) / len(before or air)
    drift = sum(after) / len(after) - at_dc if before and after else None
    thermometer = read_thermistor(obs)
    climate = obs.bench.climate
    spec = climate.spec_of("temperature") if climate else None
    probe_k = spec.absolute if spec else 0.5
    lines = [
        half_width("climate probe", probe_k, "degC", note="bench file" if spec else "no statement in the bench file")
    ]
    if drift is not None:
        lines.append(half_width("drift of the air over the run", drift / 2.0, "K"))
    lines.append(_part_and_air(thermometer, at_dc, probe_k))
    return CoilTemperature(degc=at_dc, lines=tuple(lines), air_degc=at_dc, drift_k=drift, thermometer=thermometer)


def _part_and_air(thermometer: Thermometer | None, air_degc: float, probe_k: float) -> BudgetLine:
    """A soaked part stands within the probe's, the curve's and its own share of the air; what is beyond that is
    taken whole, for the probe's own error is a line by itself."""
    if thermometer is None:
        return half_width("part against air", UNWITNESSED_K, "K", note="no thermistor to bear witness")
    apart = abs(thermometer.degc - air_degc)
    if apart <= probe_k + CURVE_K + 2.0 * SOAKED_K:
        return standard("part against air", SOAKED_K, "K", note="witness: the part's own thermistor")
    if apart <= AGREES_K:
        return half_width("part against air", apart, "K", note="as far as the part's own thermistor stands away")
    return half_width("part against air", UNWITNESSED_K, "K", note="the thermistor disagrees and is no witness")
