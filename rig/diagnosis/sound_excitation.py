"""Soundness of the excitation: did it arrive, at the right level, frequency and shape, and did it stay?

It must never judge the coil. Levels in V rms at the coil. An open excitation coil (DC resistance as the witness) is the
part's fault and gives no reason here.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from rig.diagnosis.inspection import Inspection
from rig.diagnosis.lines import angles, driven, error_lines, is_open, turned
from rig.evaluation.phasors import COSINE, EXC_V, SINE, SeriesPhasors
from rig.observed import RECORD, Absent, Observed
from rig.result import Reason, Result

MISSING = 0.3  # of the wanted level
LEVEL = 0.05  # relative
LOAD = 0.06  # how near to 2.00 or 0.50
FREQUENCY = 3e-4  # against what the rig set
FREQUENCY_SAID = 0.02  # against what a person or a part file says of a recording
DISTORTED, USELESS = 0.02, 0.10
RESTART = 2e-5  # relative step of one capture's own frequency


def excitation_reasons(inspection: Inspection, results: Sequence[Result]) -> list[Reason]:
    """Every reason that the excitation channels give."""
    if is_open(inspection.evaluated, "exc"):
        return []
    missing = _missing(inspection, results)
    if missing:
        return missing
    found = inspection.evaluated.excitation
    if found is None:
        return []
    return [
        *_absent_in_some(found, results),
        *_level(inspection, found, results),
        *_frequency(inspection.observed, found, results),
        *_distorted(found, results),
        *_restarted(inspection, results),
    ]


def _wanted(found: SeriesPhasors) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    return found.numbers("set_v_rms")


def _missing(inspection: Inspection, results: Sequence[Result]) -> list[Reason]:
    obs = inspection.observed
    driven_series = [s for s in (*inspection.evaluated.swept_series, "excitation", "ramp", RECORD) if obs.has(s)]
    if not driven_series:
        return []
    name = driven_series[0]
    found = inspection.evaluated.phasors(name)
    if found is None:
        return [_gone(f"no alternating voltage in the excitation channel of {name}", results, obs)]
    wanted = _wanted(found)
    share = found.v_exc_rms / np.where(wanted > 0, wanted, np.nan)
    last = float(share[-1]) if np.isfinite(share[-1]) else float("nan")
    if np.isfinite(last) and last < MISSING:
        told = f"{found.v_exc_rms[-1]:.3g} V rms at the coil where {wanted[-1]:.3g} V was wanted ({name})"
        return [_gone(told, results, obs)]
    return []


def _absent_in_some(found: SeriesPhasors, results: Sequence[Result]) -> list[Reason]:
    """Captures without excitation between others that have it: they were left out of the turn."""
    gone = found.without_excitation
    if gone.size == 0:
        return []
    return [
        Reason(
            code="excitation-missing",
            text="The excitation is absent in some captures; they are left out.",
            evidence=f"{gone.size} of {found.live.size} captures of {found.series}, first {int(gone[0])}",
            next="Record these positions again with the excitation on.",
            spoils=error_lines(results),
        )
    ]


def _gone(evidence: str, results: Sequence[Result], obs: Observed) -> Reason:
    loopback = "the loopback shows that source and sampler work" if obs.has("loopback") else ""
    return Reason(
        code="excitation-missing",
        text="The excitation does not arrive at the coil.",
        evidence=evidence,
        next="Check amplifier supply, fuse, relay rows and the adapter lead; then run again.",
        spoils=driven(results),
        witness=loopback,
    )


def _level(inspection: Inspection, found: SeriesPhasors, results: Sequence[Result]) -> list[Reason]:
    nominal = inspection.observed.part.excitation.level_v_rms
    level = float(np.median(found.v_exc_rms))
    right = abs(level / nominal - 1.0) <= LEVEL
    reasons = []
    factor = _first_factor(inspection)
    if factor is not None and min(abs(factor / 2.0 - 1.0), abs(factor / 0.5 - 1.0)) < LOAD:
        reasons.append(
            Reason(
                code="load-setting",
                text="The generator's load setting doubles or halves its output.",
                evidence=f"the coil got {factor:.3f} times what the generator was set to, before any trimming",
                next="Set the generator's output load to high impedance (INF); then run again.",
                spoils=() if right else driven(results),
            )
        )
    if not right:
        reasons.append(
            Reason(
                code="excitation-level",
                text="The level at the coil is not the part's nominal one.",
                evidence=f"{level:.3f} V rms, nominal {nominal:.3f} V ({100 * (level / nominal - 1):+.1f} %)",
                next="Check amplifier and generator; a coil that draws too much shows in its impedance.",
                spoils=() if inspection.observed.lacks(Absent.SETTING) else driven(results),
            )
        )
    return reasons


def _first_factor(inspection: Inspection) -> float | None:
    """Level at the coil over what the generator was told, from the first capture of the ramp that says so."""
    found = inspection.evaluated.phasors("ramp")
    if found is None:
        return None
    told = found.numbers("generator_v_rms") * inspection.observed.bench.generator.amplifier_gain
    usable = np.flatnonzero(np.isfinite(told) & (told > 0))
    return float(found.v_exc_rms[usable[0]] / told[usable[0]]) if usable.size else None


def _frequency(obs: Observed, found: SeriesPhasors, results: Sequence[Result]) -> list[Reason]:
    wanted = float(found.numbers("frequency_hz")[0])
    was_set = bool(np.isfinite(wanted))
    wanted = wanted if was_set else obs.part.excitation.frequency_hz
    if wanted <= 0.0 or found.series in obs.tables:
        return []
    off = found.frequency.frequency_hz / wanted - 1.0
    if abs(off) <= (FREQUENCY if was_set else FREQUENCY_SAID):
        return []
    word = "set" if was_set else "stated"
    return [
        Reason(
            code="excitation-frequency",
            text=f"The excitation does not have the frequency that was {word}.",
            evidence=f"{found.frequency.frequency_hz:.2f} Hz measured, {wanted:.2f} Hz {word} ({1e6 * off:+.0f} ppm)",
            next="Check the generator's setting and the sampler's stated rate.",
            spoils=driven(results),
        )
    ]


def _distorted(found: SeriesPhasors, results: Sequence[Result]) -> list[Reason]:
    thd = found.fit.thd()
    exc = float(np.median(thd[:, EXC_V]))
    if exc <= DISTORTED:
        return []
    strongest = [float(thd[np.argmax(np.abs(found.fit.fundamental[:, c])), c]) for c in (SINE, COSINE)]
    if max(strongest) < 0.3 * exc:
        return []  # the part does not see it: the channel itself is at fault (channel-saturated)
    spoils = driven(results) if exc > USELESS else tuple(r.measurand for r in results if "null_total" in r.measurand)
    return [
        Reason(
            code="excitation-distorted",
            text="The excitation is not a sine.",
            evidence=f"distortion {100 * exc:.2f} % at the coil, {100 * max(strongest):.2f} % in the outputs",
            next="Lower the level or check the amplifier: it limits or folds back.",
            spoils=spoils,
        )
    ]


def _half_turns(inspection: Inspection, results: Sequence[Result]) -> list[Reason]:
    """Points half an electrical turn off: the source restarted, and what was recorded as the excitation hides it."""
    found = inspection.evaluated.turn
    if found is None or not found.half_turns:
        return []
    return [
        Reason(
            code="source-restarted",
            text="The source's phase flips between records and the excitation's record does not show it.",
            evidence=f"{len(found.half_turns)} of {found.steps.size} records are half an electrical turn off, first "
            f"{found.half_turns[0]}; doubled, the angle is whole",
            next="Record the excitation itself with every record, or let the source run on while the sampler re-arms.",
            spoils=angles(results),
        )
    ]


def _restarted(inspection: Inspection, results: Sequence[Result]) -> list[Reason]:
    reasons = _half_turns(inspection, results)
    for name in inspection.evaluated.swept_series:
        found, quality = inspection.evaluated.phasors(name), inspection.quality(name)
        if found is None or quality is None:
            continue
        own, u = found.frequency.per_record_hz, found.frequency.u_record_hz
        off = np.abs(own - np.median(own))
        jumped = np.flatnonzero((off > 10.0 * u) & (off > RESTART * found.frequency.frequency_hz))
        stepped = () if inspection.observed.lacks(Absent.SETTING) else quality["exc_v"].jump_records
        broken = quality["exc_v"].disturbed_records
        bad = sorted({int(i) for i in jumped} | set(stepped) | set(broken))
        if bad:
            reasons.append(
                Reason(
                    code="source-restarted",
                    text="The source stepped or restarted during the sweep.",
                    evidence=f"{len(bad)} of {len(own)} captures of {name} (first: {bad[0]}) leave the common level, "
                    "frequency or shape",
                    next="Check the generator's output relay and its lead, then sweep again.",
                    spoils=turned(results) if len(bad) > 0.02 * len(own) or broken else (),
                )
            )
    return reasons
