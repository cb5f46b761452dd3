"""What a bench says of itself, line by line with U and limits: leads, check resistor, channels, ratio, level, axis.

It must never know a part's limits. Limits are those of hardware/first_steps.md (4, 5, 7, 8, 11); where they have to
contain the meter's own specification they do, so the rule is simple acceptance and U stands beside. A line inside
limits that U fills whole (2 U at least their width) is not capable, as behind a guard band of U (JCGM 106 8.3). What
the bench has no means for is told as not taken, never as good. U: 95.45 %, budgets as everywhere (stating.py).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from rig.evaluation.bench.ratio_standard import match, phase_limits_deg
from rig.evaluation.results import by_scatter, half_width, specification, standard
from rig.evaluation.sampler.channels import Channels
from rig.measurands import BENCH, measurand
from rig.observed import Observed
from rig.result import finite
from rig.uncertainty.budget import BudgetLine, combine
from rig.uncertainty.conformity import acceptance_zone

TWO_WIRE_OHM = (0.02, 0.5)
FOUR_WIRE_OHM = 2e-3
CHECK_RESISTOR = 1e-4
GAIN = 2e-3
DELAY_S = 14e-9
RATIO = 1.5e-3
MATCH = 2e-4
LEVEL = 0.02
METER_RANGE_OHM = 100.0
NO_SIGNAL = "no signal"
WITHIN, OUTSIDE, NOT_TAKEN, NOT_CAPABLE = "within limits", "outside limits", "not taken", "not capable"


@dataclass(frozen=True, slots=True, kw_only=True)
class ProofLine:
    """One line; estimate, U and limits in `unit`, None where nothing was taken. next: what to look at when it fell.

    gone: why there is no figure although it was taken (over range, no signal), which is outside every limit.
    k: coverage factor of U; dof: None for infinitely many.
    agreement: the limits are the U of a difference themselves, so that U can't fill them.
    """

    id: str
    text: str
    unit: str
    estimate: float | None
    U: float | None
    lower: float | None
    upper: float | None
    next: str
    gone: str = ""
    agreement: bool = False
    k: float | None = None
    dof: float | None = None

    @property
    def verdict(self) -> str:
        """Simple acceptance; not capable where a guard band of U would leave nothing between the limits."""
        if self.gone:
            return OUTSIDE
        if self.estimate is None or self.lower is None or self.upper is None:
            return NOT_TAKEN
        if not self.lower <= self.estimate <= self.upper:
            return OUTSIDE
        if self.agreement:
            return WITHIN
        return WITHIN if self.U is not None and acceptance_zone(self.U, self.lower, self.upper) else NOT_CAPABLE

    def to_dict(self) -> dict[str, Any]:
        """As it is kept."""
        return asdict(self) | {"verdict": self.verdict}


def proof(channels: Channels) -> tuple[ProofLine, ...]:
    """Every line of a bench's proof, in the order of hardware/first_steps.md."""
    obs = channels.observed
    return (*_leads(obs), _check_resistor(obs), *_channels(channels), *_ratio(channels), _axis(obs))


def _line(
    id_: str,
    estimate: float | None,
    influences: Sequence[BudgetLine | None],
    limits: tuple[float, float],
    next_: str,
    gone: str = "",
) -> ProofLine:
    row = measurand(f"{BENCH}{id_}")
    if estimate is None or not math.isfinite(estimate):
        low, high = limits if gone else (None, None)
        return ProofLine(
            id=id_, text=row.name, unit=row.unit, estimate=None, U=None, lower=low, upper=high, next=next_, gone=gone
        )
    kept = [line for line in influences if line is not None and line.contribution > 0.0]
    combined = combine(kept) if kept else None
    return ProofLine(
        id=id_,
        text=row.name,
        unit=row.unit,
        estimate=estimate,
        U=combined.u * combined.k if combined else None,
        lower=limits[0],
        upper=limits[1],
        next=next_,
        k=combined.k if combined else None,
        dof=finite(combined.dof) if combined else None,
    )


def _spec(obs: Observed, ohm: float, range_ohm: float) -> BudgetLine | None:
    return specification(obs.bench.multimeter, "resistance", ohm, range_ohm, "ohm", "meter")


def _wide(line: BudgetLine | None) -> float:
    """Half-width of a rectangular influence, 0 where none is stated."""
    return 0.0 if line is None else line.u * math.sqrt(3.0)


def _leads(obs: Observed) -> list[ProofLine]:
    lines = []
    for wires, (low, high) in ((2, TWO_WIRE_OHM), (4, (-FOUR_WIRE_OHM, FOUR_WIRE_OHM))):
        found = obs.numbers("lead_zero", wires=wires)
        zero = found[-1] if found else None
        spec = _spec(obs, zero or 0.0, METER_RANGE_OHM)
        lines.append(
            _line(
                f"lead_zero_{wires}w",
                zero,
                [spec],
                (low - _wide(spec), high + _wide(spec)),
                "a contact or a plug" if wires == 2 else "force and sense exchanged on one side, or joined too early",
                "over range" if not found and obs.select("lead_zero", wires=wires) else "",
            )
        )
    return lines


def _zero_ohm(obs: Observed) -> float:
    """The four-wire lead zero, which every coil is corrected by: the run's own, or that of the take that it repeats."""
    if found := obs.numbers("lead_zero", wires=4):
        return found[-1]
    before = obs.header.get("details", {}).get("lead_zero", {})
    return float(before.get("four_wire_ohm") or 0.0)


def _check_resistor(obs: Observed) -> ProofLine:
    nominal = obs.bench.switch.check_resistor_ohm
    found = obs.numbers("check_resistor", wires=4)
    mean = float(np.mean(found)) - _zero_ohm(obs) if found else None
    spec = _spec(obs, nominal, METER_RANGE_OHM if nominal <= METER_RANGE_OHM else 10 * nominal)
    influences = [spec, half_width("check resistor", nominal * CHECK_RESISTOR, "ohm")]
    if len(found) > 1:
        u = float(np.std(found, ddof=1)) / math.sqrt(len(found))
        influences.append(by_scatter("repeats", u, "ohm", len(found) - 1))
    wide = nominal * CHECK_RESISTOR + _wide(spec)
    limits = (nominal - wide, nominal + wide)
    return _line(
        "check_resistor",
        mean,
        influences,
        limits,
        "its relay, measuring two-wire, or the meter",
        "over range" if not found and obs.select("check_resistor", wires=4) else "",
    )


def _channels(channels: Channels) -> list[ProofLine]:
    """Gain and phase of the other channels against the excitation channel, by the run's own loopback."""
    found = channels.measured_loopback
    phase_deg = math.degrees(2.0 * math.pi * (found.frequency_hz if found else 0.0) * DELAY_S)
    lines = []
    silent = NO_SIGNAL if channels.observed.has("loopback") else ""
    for c, name in ((1, "exc_i"), (2, "sin"), (3, "cos")):
        alive = found is not None and c not in found.dead
        gain = found.gain[c] if found is not None and alive else None
        u = float(found.scatter[c]) / math.sqrt(found.captures) if found is not None else 0.0
        dof = float(max(found.captures - 1, 1)) if found is not None else 1.0
        lines.append(
            _line(
                f"gain_{name}",
                None if gain is None else float(abs(gain)),
                [by_scatter("captures", u, "1", dof)],
                (1.0 - GAIN, 1.0 + GAIN),
                "the range, the terminator, warm up for 30 min",
                silent,
            )
        )
        lines.append(
            _line(
                f"phase_{name}",
                None if gain is None else math.degrees(float(np.angle(gain))),
                [by_scatter("captures", math.degrees(u), "deg", dof)],
                (-phase_deg, phase_deg),
                "channels sampled one after the other, or a lead of another length",
                silent,
            )
        )
    return lines


def _ratio(channels: Channels) -> list[ProofLine]:
    """The ratio standard through the excitation's divider, and the level that was really there."""
    obs = channels.observed
    found = channels.phasors("ratio_standard")
    value = obs.bench.switch.ratio_standard_value
    lines: list[ProofLine] = []
    silent = _silent(obs)
    for c, name in ((2, "sin"), (3, "cos")):
        each = None if found is None else (found.sine if c == 2 else found.cosine) / found.exc_v
        mean = None if each is None else complex(np.mean(each))
        size = 0.0 if mean is None else abs(mean)
        n = 1 if each is None else each.size
        scatter = 0.0 if each is None or n < 2 else float(np.std(np.abs(each), ddof=1)) / math.sqrt(n)
        u_phase = 0.0 if found is None else math.degrees(float(found.loopback.u_phase_rad[c]))
        u_gain = 0.0 if found is None else float(found.loopback.u_gain[c])
        lines.append(
            _line(
                f"ratio_{name}",
                None if mean is None else size,
                [
                    by_scatter("captures", scatter, "1", max(n - 1, 1)),
                    standard("divider", obs.bench.sampler.exc_divider_u * size, "1"),
                    standard("channel gain", u_gain * size, "1"),
                ],
                (value * (1.0 - RATIO), value * (1.0 + RATIO)),
                "divider ratio when both are off alike; a stale loopback when one is",
                silent,
            )
        )
        lines.append(
            _line(
                f"ratio_phase_{name}",
                None if mean is None else math.degrees(float(np.angle(mean))),
                [standard("channel phase", u_phase, "deg")],
                phase_limits_deg(obs.bench, found.frequency.frequency_hz if found else 0.0),
                "trimmer of the divider, switch.ratio_standard_out_ohm; +-180 deg: a pair reversed",
                silent,
            )
        )
    lines.append(_match(channels))
    lines.append(_level(channels))
    return lines


def _silent(obs: Observed) -> str:
    """Why the ratio standard gives no figure although it was captured."""
    return NO_SIGNAL if obs.has("ratio_standard") else ""


def _match(channels: Channels) -> ProofLine:
    found = match(channels)
    return _line(
        "ratio_match",
        None if found is None else found[0],
        () if found is None else found[1],
        (1.0 - MATCH, 1.0 + MATCH),
        "a stale loopback; repeat it warm",
        _silent(channels.observed),
    )


def _level(channels: Channels) -> ProofLine:
    """What is on the bus over what the generator was told, by the amplifier's nominal gain."""
    obs = channels.observed
    found = channels.phasors("ratio_standard")
    told = None if found is None else found.numbers("generator_v_rms") * obs.bench.generator.amplifier_gain
    ok = found is not None and told is not None and bool(np.all(told > 0))
    level = float(np.mean(found.v_exc_rms / told)) if ok and found is not None and told is not None else None
    spec = obs.bench.sampler.spec_of("gain")
    absolute = 0.0 if spec is None else spec.percent_reading / 100.0
    return _line(
        "generator_level",
        level,
        [standard("divider", obs.bench.sampler.exc_divider_u, "1"), half_width("sampler", absolute, "1")],
        (1.0 - LEVEL, 1.0 + LEVEL),
        "generator's load setting, amplifier_gain in the bench file, or the divider counted twice or not",
        _silent(obs),
    )


def _axis(obs: Observed) -> ProofLine:
    """Steps between the index and where it is found again after one turn and back, as a mechanical angle."""
    device = obs.bench.axis
    found = obs.numbers("index_found", phase="again")
    arcmin = 0.0 if device is None else 21_600.0 / device.steps_per_turn
    repeat = 0.0 if device is None else device.index_repeat_arcmin
    return _line(
        "index_mech_arcmin",
        found[-1] * arcmin if found and device is not None else None,
        [half_width("one microstep", arcmin / 2.0, "arcmin"), half_width("index", repeat, "arcmin")],
        (-1.05 * arcmin, 1.05 * arcmin),
        "lost steps (whole full steps), a loose coupling, an index edge on a step boundary",
    )
