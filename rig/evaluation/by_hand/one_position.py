"""One record at a position that nobody knows: levels, ratios, phases and one electrical angle, within half a turn.

It must never say what only a turn shows: error, pole pairs, nulls, imbalance. Volts peak at the part; phases lead +,
on the branch within a quarter turn of the excitation, both outputs on the same one. Series: `record`.
"""

from __future__ import annotations

import math

import numpy as np

from rig.evaluation.results import by_scatter, make_result, standard
from rig.evaluation.sampler.channels import Channels
from rig.evaluation.sampler.phasors import COSINE, EXC_V, SINE, SeriesPhasors
from rig.observed import RECORD
from rig.quantity import Scalar
from rig.result import Result
from rig.uncertainty.budget import BudgetLine

DEG = 180.0 / math.pi
HERE = "at this position only: the largest ratio needs a turn"
ANGLE = "electrical; half a turn off if the outputs' phase were beyond 90 deg"
SKEW = "the skew of the channels is in it"


def position_results(channels: Channels) -> list[Result]:
    """The lines of one record at rest; none without a live excitation."""
    found = channels.phasors(RECORD)
    if found is None:
        return []
    exc, sine, cosine = complex(found.exc_v[0]), complex(found.sine[0]), complex(found.cosine[0])
    divider = channels.observed.bench.sampler.exc_divider
    u_exc, u_sine, u_cosine = (
        float(found.u_noise_v[c]) / scale for c, scale in ((EXC_V, divider), (SINE, 1.0), (COSINE, 1.0))
    )
    s, c = sine / exc, cosine / exc
    common = 0.5 * float(np.angle(s * s + c * c))
    u_s, u_c = (math.hypot(u, abs(r) * u_exc) / abs(exc) for u, r in ((u_sine, s), (u_cosine, c)))
    radius = math.hypot(abs(s), abs(c))
    u, v = ((ratio * np.exp(-1j * common)).real for ratio in (s, c))
    u_both = max(u_s, u_c) / max(radius, 1e-12)
    rows = (
        ("amplitude_exc_v", abs(exc), "V", u_exc, ""),
        ("amplitude_sin_v", abs(sine), "V", u_sine, ""),
        ("amplitude_cos_v", abs(cosine), "V", u_cosine, ""),
        ("ratio_sin", abs(s), "ratio", u_s, HERE),
        ("ratio_cos", abs(c), "ratio", u_c, HERE),
        ("ratio_both", radius, "ratio", max(u_s, u_c), "root of the sum of squares: about the transformation ratio"),
        ("phase_sin_deg", own_phase_deg(s, common), "deg", DEG * u_s / max(abs(s), 1e-12), SKEW),
        ("phase_cos_deg", own_phase_deg(c, common), "deg", DEG * u_c / max(abs(c), 1e-12), SKEW),
        ("angle_elec_deg", math.degrees(math.atan2(u, v)), "deg", DEG * u_both, ANGLE),
    )
    return [_line(found, id_, value, unit, u_noise, note) for id_, value, unit, u_noise, note in rows]


def _line(found: SeriesPhasors, id_: str, value: float, unit: str, u_noise: float, note: str) -> Result:
    dof = max(1.0, found.fit.samples - 3.0 - 2.0 * len(found.fit.orders))
    conditions: dict[str, Scalar] = {"frequency_hz": found.frequency.frequency_hz}
    lines: list[BudgetLine] = [by_scatter("noise of the record", u_noise, unit, dof)]
    gain = float(max(found.loopback.u_gain[SINE], found.loopback.u_gain[COSINE]))
    size = value if unit in ("V", "ratio") else DEG
    lines.append(standard("channel gain after the loopback", gain, "relative", size))
    return make_result(id_, value, lines, conditions, note=note)


def own_phase_deg(ratio: complex, common_rad: float) -> float:
    """A ratio's phase on the branch near the common one: its sign belongs to the angle, not to the phase."""
    phase = float(np.angle(ratio))
    if math.cos(phase - common_rad) < 0:
        phase += math.pi if phase <= 0 else -math.pi
    return math.degrees(phase)
