"""Soundness of the excitation: did it arrive, at the right level, frequency and shape, and did it stay?

It must never judge the coil. Levels in V rms at the coil. An open excitation coil (DC resistance as the witness) is the
part's fault and gives no reason here.
"""

from __future__ import annotations

import numpy as np

from rig.evaluation.inspection import facts
from rig.evaluation.inspection.inspection import Inspection
from rig.evaluation.inspection.lines import driven
from rig.evaluation.inspection.thresholds import (
    DISTORTED,
    FEW_RESTARTS,
    FREQUENCY_SHARE,
    FREQUENCY_SHARE_STATED,
    LEVEL_SHARE,
    LOAD_FACTORS,
    LOAD_SHARE,
    MISSING_SHARE_OF_LEVEL,
    RESTART_SHARE,
    RESTART_U,
    SEEN_BY_PART,
    USELESS,
)
from rig.evaluation.sampler.phasors import SeriesPhasors
from rig.observed import RECORD, Absent
from rig.result import Result
from rig.soundness import scopes
from rig.soundness.rule import Evidence, Rule, story


def missing(inspection: Inspection) -> list[Evidence]:
    """No alternating voltage at the coil, or far too little of what was wanted."""
    obs = inspection.observed
    series = [s for s in (*inspection.evaluated.swept_series, "excitation", "ramp", RECORD) if obs.has(s)]
    if not series:
        return []
    witness = "the loopback shows that source and sampler work" if obs.has("loopback") else ""
    found = inspection.evaluated.phasors(series[0])
    if found is None:
        figures = f"no alternating voltage in the excitation channel of {series[0]}"
        return [Evidence(figures=figures, witness=witness)]
    wanted = found.numbers("set_v_rms")
    share = found.v_exc_rms / np.where(wanted > 0, wanted, np.nan)
    if not (np.isfinite(share[-1]) and float(share[-1]) < MISSING_SHARE_OF_LEVEL):
        return _absent_in_some(inspection)
    figures = f"{found.v_exc_rms[-1]:.3g} V rms at the coil where {wanted[-1]:.3g} V was wanted ({series[0]})"
    return [Evidence(figures=figures, witness=witness)]


def _absent_in_some(inspection: Inspection) -> list[Evidence]:
    """Captures without excitation between others that have it: they were left out of the turn."""
    found = inspection.evaluated.excitation
    if found is None or found.without_excitation.size == 0:
        return []
    gone = found.without_excitation
    return [
        Evidence(
            figures=f"{gone.size} of {found.live.size} captures of {found.series}, first {int(gone[0])}",
            case="some",
            blocks=False,
            text="The excitation is absent in some captures; they are left out.",
            next="Record these positions again with the excitation on.",
        )
    ]


def load_setting(inspection: Inspection) -> list[Evidence]:
    """Twice or half of what the generator was set to, at the first capture of the ramp."""
    factor = _first_factor(inspection)
    if factor is None or min(abs(factor / whole - 1.0) for whole in LOAD_FACTORS) >= LOAD_SHARE:
        return []
    figures = f"the coil got {factor:.3f} times what the generator was set to, before any trimming"
    return [Evidence(figures=figures, harmless=_level(inspection)[1])]


def level(inspection: Inspection) -> list[Evidence]:
    """A level that is not the part's nominal one."""
    found, right = _level(inspection)
    if found is None or right:
        return []
    nominal = inspection.observed.part.excitation.level_v_rms
    figures = f"{found:.3f} V rms, nominal {nominal:.3f} V ({100 * (found / nominal - 1):+.1f} %)"
    return [Evidence(figures=figures, harmless=inspection.observed.lacks(Absent.SETTING))]


def _level(inspection: Inspection) -> tuple[float | None, bool]:
    """(level at the coil, V rms; whether it is the part's nominal one)."""
    found = inspection.evaluated.excitation
    if found is None:
        return None, True
    volts = float(np.median(found.v_exc_rms))
    return volts, abs(volts / inspection.observed.part.excitation.level_v_rms - 1.0) <= LEVEL_SHARE


def _first_factor(inspection: Inspection) -> float | None:
    """Level at the coil over what the generator was told, from the first capture of the ramp that says so."""
    found = inspection.evaluated.phasors("ramp")
    if found is None or inspection.evaluated.excitation is None:
        return None
    told = found.numbers("generator_v_rms") * inspection.observed.bench.generator.amplifier_gain
    usable = np.flatnonzero(np.isfinite(told) & (told > 0))
    return float(found.v_exc_rms[usable[0]] / told[usable[0]]) if usable.size else None


def frequency(inspection: Inspection) -> list[Evidence]:
    """Another frequency than the one that was set."""
    found = inspection.evaluated.excitation
    if found is None:
        return []
    wanted = float(found.numbers("frequency_hz")[0])
    was_set = bool(np.isfinite(wanted))
    wanted = wanted if was_set else inspection.observed.part.excitation.frequency_hz
    if wanted <= 0.0 or found.series in inspection.observed.tables:
        return []
    off = found.frequency.frequency_hz / wanted - 1.0
    if abs(off) <= (FREQUENCY_SHARE if was_set else FREQUENCY_SHARE_STATED):
        return []
    word = "set" if was_set else "stated"
    figures = f"{found.frequency.frequency_hz:.2f} Hz measured, {wanted:.2f} Hz {word} ({1e6 * off:+.0f} ppm)"
    return [Evidence(figures=figures, name=word)]


def distorted_excitation(inspection: Inspection) -> list[Evidence]:
    """A source that is bent: its harmonics stand in the outputs as well; else it is the voltage's own channel."""
    found = inspection.evaluated.excitation
    if found is None:
        return []
    at_coil, in_outputs = distortion(found)
    if at_coil <= DISTORTED or in_outputs < SEEN_BY_PART * at_coil:
        return []
    figures = f"distortion {100 * at_coil:.2f} % at the coil, {100 * in_outputs:.2f} % in the outputs"
    return [Evidence(figures=figures, case="useless" if at_coil > USELESS else "")]


def distortion(found: SeriesPhasors) -> tuple[float, float]:
    """Root-sum-square of the harmonics over the fundamental: at the coil (median), in the outputs where largest."""
    thd, size = found.fit.thd(), np.abs(found.fit.fundamental)
    strongest = [float(thd[np.argmax(size[:, c]), c]) for c in (2, 3)]
    return float(np.median(thd[:, 0])), max(strongest)


def _of_distortion(results: scopes.Results, found: Evidence) -> scopes.Lines:
    """A bent source spoils the nulls with harmonics; a useless one everything that is driven."""
    return driven(results) if found.case else tuple(_null_totals(results))


def _null_totals(results: scopes.Results) -> list[str]:
    return [result.measurand for result in results if _is_null_total(result)]


def _is_null_total(result: Result) -> bool:
    return "null_total" in result.measurand


def _half_turns(inspection: Inspection) -> list[Evidence]:
    """Points half an electrical turn off: the source restarted, and what was recorded as the excitation hides it."""
    found = inspection.evaluated.turn
    if found is None or not found.half_turns:
        return []
    return [
        Evidence(
            figures=f"{len(found.half_turns)} of {found.steps.size} records are half an electrical turn off, first "
            f"{found.half_turns[0]}; doubled, the angle is whole",
            case="half turns",
            text="The source's phase flips between records and the excitation's record does not show it.",
            next="Record the excitation itself with every record, or let the source run on while the sampler re-arms.",
        )
    ]


def restarted_source(inspection: Inspection) -> list[Evidence]:
    """Captures of a sweep that leave the common level, frequency or shape, or that are half an electrical turn off."""
    reasons = _half_turns(inspection)
    for name in inspection.evaluated.swept_series:
        found, quality = inspection.evaluated.phasors(name), inspection.quality(name)
        if found is None or quality is None:
            continue
        own, u = found.frequency.per_record_hz, found.frequency.u_record_hz
        off = np.abs(own - np.median(own))
        jumped = np.flatnonzero((off > RESTART_U * u) & (off > RESTART_SHARE * found.frequency.frequency_hz))
        stepped = () if inspection.observed.lacks(Absent.SETTING) else quality["exc_v"].jump_records
        broken = quality["exc_v"].disturbed_records
        bad = sorted({int(i) for i in jumped} | set(stepped) | set(broken))
        if bad:
            figures = f"{len(bad)} of {len(own)} captures of {name} (first: {bad[0]}) leave the common level, "
            few = len(bad) <= FEW_RESTARTS * len(own) and not broken
            reasons.append(Evidence(figures=figures + "frequency or shape", harmless=few))
    return reasons


RULES = story(
    Rule(
        code="excitation-missing",
        looks_at="the voltage at the coil against what was wanted",
        check=missing,
        text="The excitation does not arrive at the coil.",
        next="Check amplifier supply, fuse, relay rows and the adapter lead; then run again.",
        spoils=scopes.by_case(scopes.driven, some=scopes.error_lines),
        asks=("v_exc_rms",),
    ),
    Rule(
        code="load-setting",
        looks_at="the level of the ramp's first capture against the generator's setting",
        check=load_setting,
        text="The generator's load setting doubles or halves its output.",
        next="Set the generator's output load to high impedance (INF); then run again.",
        spoils=scopes.driven,
        blocked_by=("excitation-missing",),
        asks=("v_exc_rms",),
    ),
    Rule(
        code="excitation-distorted",
        looks_at="the harmonics at the coil and in the outputs",
        check=distorted_excitation,
        text="The excitation is not a sine.",
        next="Lower the level or check the amplifier: it limits or folds back.",
        spoils=_of_distortion,
        caused_by=("load-setting", "channel-saturated"),
        blocked_by=("excitation-missing",),
    ),
    Rule(
        code="excitation-level",
        looks_at="the level at the coil against the part's nominal one",
        check=level,
        text="The level at the coil is not the part's nominal one.",
        next="Check amplifier and generator; a coil that draws too much shows in its impedance.",
        spoils=scopes.driven,
        caused_by=("load-setting", "channel-saturated"),
        blocked_by=("excitation-missing",),
        asks=("v_exc_rms",),
    ),
    Rule(
        code="excitation-frequency",
        looks_at="the frequency measured against the one that was set",
        check=frequency,
        text="The excitation does not have the frequency that was {name}.",
        next="Check the generator's setting and the sampler's stated rate.",
        spoils=scopes.driven,
        blocked_by=("excitation-missing",),
    ),
    Rule(
        code="source-restarted",
        looks_at="level, frequency and shape of each capture of a sweep against the common ones",
        check=restarted_source,
        text="The source stepped or restarted during the sweep.",
        next="Check the generator's output relay and its lead, then sweep again.",
        spoils=scopes.by_case(scopes.turned, half_turns=scopes.angles),
        caused_by=("channel-saturated",),
        blocked_by=("excitation-missing",),
    ),
    unless=(facts.excitation_open, facts.excitation_comes_and_goes_witnessed),
)
