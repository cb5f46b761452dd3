"""All results of a run, in the order in which they are printed, and the curves for plots.

It must never judge. Manual entries become results of their own, marked as such, with the qualifier they were given.
Measurands: trade.md 1.2.
"""

from __future__ import annotations

from typing import Any

from rig.evaluation.angle import angle_results
from rig.evaluation.coils import coil_results
from rig.evaluation.excitation import excitation_results
from rig.evaluation.hand_turned import hand_results, taken
from rig.evaluation.impedance import impedance_results
from rig.evaluation.leaks import leak_results
from rig.evaluation.ratio import ratio_results
from rig.evaluation.reclamping import with_reclamping
from rig.evaluation.rotating import turning_results
from rig.evaluation.temperature import coil_temperature
from rig.evaluation.thermistor import thermistor_results
from rig.observed import Observed
from rig.quantity import MEASURANDS
from rig.result import Result


def evaluate(obs: Observed) -> tuple[list[Result], dict[str, Any]]:
    """Every result that the readings allow (untested ones say why), and the curves of the angle error."""
    temperature = coil_temperature(obs)
    degc, lines = (temperature.degc, temperature.lines) if temperature else (None, ())
    by_hand = taken(obs)
    angle, curves = (hand_results(obs), {}) if by_hand else angle_results(obs)
    results = [
        *coil_results(obs),
        *thermistor_results(obs, degc, lines),
        *leak_results(obs),
        *excitation_results(obs),
        *turning_results(obs),
        *impedance_results(obs),
        *([] if by_hand else ratio_results(obs)),
        *angle,
    ]
    rank = {id_: i for i, id_ in enumerate(MEASURANDS)}
    results.sort(key=lambda result: rank.get(result.measurand, len(rank)))
    return with_reclamping(obs, results) + manual_results(obs), curves


def manual_results(obs: Observed) -> list[Result]:
    """What people read elsewhere and typed in: insulation, withstand, visual; a text stays in the note."""
    results = []
    for reading in obs.select("manual"):
        value = reading.value
        number = float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None
        name = str(reading.conditions.get("name") or "manual entry")
        caution = str(reading.conditions.get("caution") or "")
        said = "" if number is not None else str(value)
        results.append(
            Result(
                measurand=name,
                estimate=number,
                unit=reading.unit,
                u=None,
                k=None,
                dof=None,
                qualifier=str(reading.conditions.get("qualifier") or ""),
                conditions={"instrument": str(reading.conditions.get("instrument") or reading.instrument)},
                note="; ".join(part for part in (said, caution) if part),
                manual=True,
            )
        )
    return results
