"""Reads a witness run against the lines that were suspected: it's the rig, it's the part, or it can't tell.

It must never read a world. For each line the rig's own share, as the witness showed it, is taken off the suspected
estimate. What then lies within its limits was the rig's, where the share is larger than its U; what still lies outside
by more than U is the part's; the rest this witness can't tell. The seat is the set-up's: a witness without the part
says "part or seat", a re-seat only "not the seat", and both together "part". Suspects: header details `witness`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from rig.answer import WitnessAnswer
from rig.evaluation.bench.witnesses import DEAD, DummySeen, SwapSeen
from rig.evaluation.coils.leaks import leak_id
from rig.evaluation.evaluated import Evaluated
from rig.measurands import measurand
from rig.observed import Observed
from rig.resolver.part import COILS
from rig.result import Judged, Judgement
from rig.review.witness.settling import Settled, WithoutRig, overall, settle
from rig.review.witness.suspects import SILENT, Suspect
from rig.soundness.witness import NOT_SEAT, OPEN, PART, RIG, WITNESSES

U_PLUG_OHM = 0.05
U_OHM_SHARE = 0.02  # of a resistance by two wires
WHOLE = 0.1  # of the conductance: what may be left to the part where the adapter explains the reading
LEVEL_OFF = 0.2  # of the excitation wanted


def read_witness(evaluated: Evaluated) -> tuple[str, list[Settled]]:
    """(kind, each suspected line settled) of a witness run."""
    obs = evaluated.observed
    told: Mapping[str, Any] = obs.header["details"]["witness"]
    kind = str(told["kind"])
    asked = [Suspect.from_dict(row) for row in told["suspects"]]
    if kind == "dummy":
        seen = evaluated.dummy
        return kind, [settle(one, _by_dummy(one, seen)) for one in asked]
    if kind == "swap":
        swapped = evaluated.swap
        return kind, [settle(one, None if swapped is None else _by_swap(one, swapped)) for one in asked]
    return kind, [
        _sensor(obs, one, kind) if one.line.startswith("thermistor_") else settle(one, _by_ohms(obs, one, kind))
        for one in asked
    ]


def witness_judgement(evaluated: Evaluated) -> Judgement:
    """A witness run's own judgement: nothing of the part, the answers as notes and, for programs, typed."""
    kind, settled = read_witness(evaluated)
    of = str(evaluated.observed.header["details"]["witness"]["of"])
    lines = [f"{measurand(one.suspect.line).name}: {one.answer} ({one.told})" for one in settled]
    return Judgement(
        outcome="measured, no limits",
        judged=(),
        reasons=(),
        findings=(),
        answer=WitnessAnswer(kind=kind, of=of, answers=tuple(one.line() for one in settled)),
        notes=(f"Witness {WITNESSES[kind].title} for run {of}: {overall(settled)}.", *lines),
    )


def settle_by_reseat(asked: Sequence[Suspect], again: Judgement) -> list[Settled]:
    """The same lines after a re-seat: what came back was the seat's, what stayed is not."""
    return [settle(one, _by_reseat(one, again.line(one.line)), stays=NOT_SEAT) for one in asked]


def _by_reseat(suspect: Suspect, again: Judged | None) -> WithoutRig | None:
    result = again.result if again is not None else None
    if result is None or result.estimate is None or math.isnan(suspect.value):
        return None
    now = math.inf if result.qualifier == ">" else result.estimate
    u = math.hypot(suspect.U, result.U or 0.0)
    moved = 0.0 if now == suspect.value else now - suspect.value
    told = f"{suspect.value:.5g} before, {now:.5g} after the re-seat, U of the difference {u:.2g} {result.unit}"
    return WithoutRig(corrected=now, U=u, share=abs(moved) > u, told=told)


# ---- ohms: plug and open adapter ----------------------------------------------------------------------------


def _by_ohms(obs: Observed, suspect: Suspect, kind: str) -> WithoutRig | None:
    if suspect.line.startswith("leak_"):
        return _beside(suspect, _leak_ohm(obs, suspect.line)) if kind == "open" else None
    coil = suspect.line.removeprefix("r20_")
    if suspect.line == "r20_match":
        return _match(obs, suspect) if kind == "plug" else None
    if coil not in COILS:
        return None
    return _in_series(suspect, _coil_ohm(obs, coil)) if kind == "plug" else _beside(suspect, _coil_ohm(obs, coil))


def _in_series(suspect: Suspect, ohm: float | None) -> WithoutRig | None:
    """What the plug reads is in the rig and adds to the coil."""
    if ohm is None:
        return None
    if math.isinf(ohm):
        return WithoutRig(corrected=math.nan, U=U_PLUG_OHM, share=True, told="over range with the plug on")
    told = f"{1e3 * ohm:.0f} mohm with the plug on"
    return WithoutRig(corrected=suspect.value - ohm, U=U_PLUG_OHM, share=ohm > U_PLUG_OHM, told=told)


def _beside(suspect: Suspect, ohm: float | None) -> WithoutRig | None:
    """What the open adapter reads lies beside the part's resistance."""
    if ohm is None or math.isnan(suspect.value):
        return None
    if math.isinf(ohm):
        return WithoutRig(
            corrected=suspect.value, U=U_OHM_SHARE * suspect.value, share=False, told="over range when open"
        )
    left = 1.0 / max(suspect.value, 1e-6) - 1.0 / max(ohm, 1e-6)
    told = f"{ohm:.4g} ohm with nothing plugged in"
    if left * ohm < WHOLE:  # the adapter alone makes the reading: of the part nothing is known
        return WithoutRig(corrected=math.nan, U=0.0, share=True, told=told)
    u = U_OHM_SHARE * (1.0 / left) ** 2 / ohm
    return WithoutRig(corrected=1.0 / left, U=u, share=suspect.value / ohm > U_OHM_SHARE, told=told)


def _match(obs: Observed, suspect: Suspect) -> WithoutRig | None:
    sine, cosine = _coil_ohm(obs, "sin"), _coil_ohm(obs, "cos")
    nominal = obs.part.coils.get("cos")
    if sine is None or cosine is None or nominal is None:
        return None
    if math.isinf(sine) or math.isinf(cosine):
        return WithoutRig(corrected=math.nan, U=0.0, share=True, told="over range with the plug on")
    share, u = (sine - cosine) / nominal.r20_ohm, math.sqrt(2.0) * U_PLUG_OHM / nominal.r20_ohm
    told = f"{1e3 * sine:.0f} and {1e3 * cosine:.0f} mohm with the plug on"
    return WithoutRig(corrected=suspect.value - share, U=u, share=abs(share) > u, told=told)


def _coil_ohm(obs: Observed, coil: str) -> float | None:
    readings = obs.select("coil_resistance", coil=coil)
    if not readings:
        return None
    if any(r.overload or r.value is None for r in readings):
        return math.inf
    return sum(r.number() for r in readings) / len(readings)


def _sensor(obs: Observed, suspect: Suspect, kind: str) -> Settled:
    readings, usual_ohm = obs.select("thermistor_resistance"), obs.part.thermistor.r25_ohm
    if not readings or not usual_ohm:
        return settle(suspect, None)
    over = any(r.overload or r.value is None for r in readings)
    ohm = math.inf if over else sum(r.number() for r in readings) / len(readings)
    return settle_sensor(suspect, kind, ohm, usual_ohm, falls_with_heat=obs.part.thermistor.kind == "ntc")


def settle_sensor(suspect: Suspect, kind: str, ohm: float, usual_ohm: float, *, falls_with_heat: bool) -> Settled:
    """A thermistor's line: what the plug adds in series, or the open adapter beside it, against its usual ohms.

    The plug clears the rig of what reads high, the open adapter of what reads low; neither of the other. A line in
    kelvin reads cold when the ohms are high, of a thermistor whose ohms fall with heat.
    """
    share = ohm / usual_ohm if kind == "plug" else usual_ohm / max(ohm, 1e-6)
    high = suspect.value > usual_ohm
    if suspect.line != "thermistor_ohm":
        high = (suspect.value < 0) == falls_with_heat
    answer = RIG if share > U_OHM_SHARE else PART if high == (kind == "plug") else OPEN
    where = "with the plug on" if kind == "plug" else "with nothing plugged in"
    return Settled(
        suspect=suspect, answer=answer, told=f"{'over range' if math.isinf(ohm) else f'{ohm:.4g} ohm'} {where}"
    )


def _leak_ohm(obs: Observed, line: str) -> float | None:
    readings = [r for r in obs.select("leak_resistance") if leak_id(r) == line]
    if not readings:
        return None
    return min(math.inf if r.overload or r.value is None else r.number() for r in readings)


# ---- driven: dummy and exchanged inputs ---------------------------------------------------------------------


def _by_dummy(suspect: Suspect, seen: DummySeen | None) -> WithoutRig | None:
    line = suspect.line
    if seen is None:
        told = "the excitation does not arrive at the dummy either"
        return WithoutRig(corrected=math.nan, U=0.0, share=True, told=told) if line == "v_exc_rms" else None
    if line == "v_exc_rms":
        share = abs(seen.level - 1.0) > LEVEL_OFF
        told = f"{seen.level:.3f} of the level arrives at the dummy"
        return WithoutRig(corrected=math.nan if share else suspect.value, U=0.0, share=share, told=told)
    if line == "direction":
        return _signs(suspect, seen)
    if line in ("tr_sin", "tr_cos"):
        return _ratio(suspect, seen, line.removeprefix("tr_"))
    if line in ("phase_sin_deg", "phase_cos_deg"):
        gain = seen.sine if "sin" in line else seen.cosine
        return _less(suspect, _degrees(gain), seen.U_phase_deg, "deg of phase at the dummy")
    if not (seen.alive("sin") and seen.alive("cos")):
        return None
    if line == "tr_imbalance":
        return _less(suspect, abs(seen.sine) / abs(seen.cosine) - 1.0, seen.U_imbalance, "imbalance at the dummy")
    if line == "phase_difference_deg":
        u = math.sqrt(2.0) * seen.U_phase_deg
        return _less(suspect, _degrees(seen.sine / seen.cosine), u, "deg between the channels at the dummy")
    if line.startswith("error_"):
        worst = float(abs(seen.angle_error_elec_arcmin).max())
        return _less(suspect, worst, seen.U_angle_elec_arcmin, "arcmin elec of error at the dummy's eight angles")
    return None


def _degrees(gain: complex) -> float:
    return math.degrees(math.atan2(gain.imag, gain.real))


def _less(suspect: Suspect, share: float, u: float, what: str) -> WithoutRig:
    told = f"{share:+.4g} {what}, U {u:.2g}"
    return WithoutRig(corrected=suspect.value - share, U=u, share=abs(share) > u, told=told)


def _ratio(suspect: Suspect, seen: DummySeen, output: str) -> WithoutRig:
    gain = abs(seen.sine if output == "sin" else seen.cosine)
    if not seen.alive(output):
        return WithoutRig(corrected=math.nan, U=0.0, share=True, told="this output is silent at the dummy too")
    told = f"the dummy's ratio reads {gain:.4f} of what it is, U {seen.U_gain:.4f}"
    value = 0.0 if math.isnan(suspect.value) else suspect.value / gain
    return WithoutRig(corrected=value, U=seen.U_gain * value, share=abs(gain - 1.0) > seen.U_gain, told=told)


def _signs(suspect: Suspect, seen: DummySeen) -> WithoutRig:
    silent = [name for name in ("sin", "cos") if not seen.alive(name)]
    wrong = [name for name, gain in (("sine", seen.sine), ("cosine", seen.cosine)) if gain.real < 0]
    told = f"silent at the dummy: {', '.join(silent)}" if silent else ""
    told = "sine and cosine exchanged at the dummy" if seen.crossed else told
    told = told or (f"{' and '.join(wrong)} reversed at the dummy" if wrong else "signs and order right at the dummy")
    off = bool(silent or wrong or seen.crossed)
    return WithoutRig(corrected=math.nan if off else suspect.value, U=0.0, share=off, told=told)


def _by_swap(suspect: Suspect, seen: SwapSeen) -> WithoutRig | None:
    inputs = {"tr_sin": seen.sine_input, "tr_cos": seen.cosine_input}
    if suspect.line in inputs:
        told = inputs[suspect.line]
        if told == "alive" or (not math.isnan(suspect.value) and suspect.value > SILENT):
            return None
        said = "the input is silent on either output" if told == "dead" else "the silence goes with the coil"
        return WithoutRig(corrected=math.nan if told == "dead" else 0.0, U=0.0, share=told == "dead", told=said)
    size = abs(seen.gain)
    if math.isnan(size) or not DEAD < size < 1.0 / DEAD:
        return None
    if suspect.line == "tr_imbalance":
        corrected = (1.0 + suspect.value) / size - 1.0
        told = f"sine input over cosine input {size:.5f}, U {seen.U_gain:.5f}"
        return WithoutRig(corrected=corrected, U=seen.U_gain, share=abs(size - 1.0) > seen.U_gain, told=told)
    if suspect.line == "phase_difference_deg":
        return _less(suspect, _degrees(seen.gain), seen.U_phase_deg, "deg between the inputs")
    return None
