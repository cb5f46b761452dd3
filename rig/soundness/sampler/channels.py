"""Soundness of the channels against each other: gain, delay, crosstalk, and how old the comparison is.

It must never judge the part. The loopback vouches for gain and delay, a coil driven alone for the crosstalk.
"""

from __future__ import annotations

import math
from datetime import datetime

import numpy as np

from rig.evaluation.inspection import facts
from rig.evaluation.inspection.inspection import Inspection
from rig.evaluation.inspection.lines import CHANNEL_NAMES, middle, turned
from rig.evaluation.inspection.thresholds import (
    CHECK_RESISTOR_SHARE,
    CROSSTALK_SCATTERS,
    CROSSTALK_SHARE,
    GAIN_WINDOW,
    SKEW_WINDOW_S,
)
from rig.evaluation.sampler.loopback import SERIES, Loopback
from rig.observed import Absent
from rig.soundness import scopes
from rig.soundness.rule import Evidence, Rule, story
from rig.soundness.sampler.comparison import gain_question, skew_question

COMPARED = ((2, "sin"), (3, "cos"), (1, "exc_i"))


def _loopback(inspection: Inspection) -> Loopback | None:
    """The loopback in force at the part's frequency; None where nothing was swept that it would vouch for."""
    swept = inspection.evaluated.swept_series
    if not swept or not turned(inspection.evaluated.results) or inspection.evaluated.phasors(swept[0]) is None:
        return None
    return inspection.evaluated.loopback_at(inspection.observed.part.excitation.frequency_hz)


def gain(inspection: Inspection) -> list[Evidence]:
    """A channel whose gain is too far from the excitation channel's to be corrected."""
    if inspection.observed.lacks(Absent.LOOPBACK):
        return gain_question(inspection)
    found = _loopback(inspection)
    if found is None or found.source == "none":
        return []
    off = [(name, abs(found.gain[c]) - 1.0) for c, name in COMPARED]
    return [
        Evidence(
            figures=f"{100 * apart:+.2f} % against the excitation channel in the loopback; window "
            f"{100 * GAIN_WINDOW:g} %",
            subject=name,
            name=CHANNEL_NAMES[name],
        )
        for name, apart in off
        if abs(apart) > GAIN_WINDOW
    ]


def skew(inspection: Inspection) -> list[Evidence]:
    """A channel that is sampled at another time than the excitation."""
    if inspection.observed.lacks(Absent.LOOPBACK):
        return skew_question(inspection)
    found = _loopback(inspection)
    if found is None or found.source == "none":
        return []
    delay_s = {name: float(np.angle(found.gain[c])) / (2.0 * math.pi * found.frequency_hz) for c, name in COMPARED}
    return [
        Evidence(figures=f"{1e9 * s:+.0f} ns in the loopback; corrected", subject=name, name=CHANNEL_NAMES[name])
        for name, s in delay_s.items()
        if abs(s) > SKEW_WINDOW_S
    ]


def crosstalk(inspection: Inspection) -> list[Evidence]:
    """One coil driven, the outputs' inputs open: what they show of the excitation is the sampler's own."""
    shares = []
    for series in ("impedance_sin", "impedance_cos", "impedance_exc"):
        found = inspection.evaluated.phasors(series)
        if found is None:
            continue
        raw = found.fit.fundamental
        for c in (2, 3):
            seen = raw[:, c] / raw[:, 0]
            scatter = float(np.std(seen)) / math.sqrt(seen.size)
            if abs(complex(np.mean(seen))) > CROSSTALK_SCATTERS * scatter:
                shares.append(abs(complex(np.mean(seen))))
    if not shares or max(shares) <= CROSSTALK_SHARE:
        return []
    figures = f"{100 * max(shares):.3f} % of the excitation channel appears on an output's open input"
    return [Evidence(figures=figures, witness="the outputs' inputs were open")]


# ---- what the figures lean on -------------------------------------------------------------------------------


def stale(inspection: Inspection) -> list[Evidence]:
    """A check resistor that reads wrong, no loopback or one too old, and instruments past their date."""
    return [*_check_resistor(inspection), *_loopback_age(inspection), *_past_due(inspection)]


def _check_resistor(inspection: Inspection) -> list[Evidence]:
    obs = inspection.observed
    readings = [r for r in obs.select("check_resistor") if r.value is not None or r.overload]
    if not readings:
        return []
    nominal = float(readings[0].conditions.get("nominal_ohm") or obs.bench.switch.check_resistor_ohm)
    values = [r.number() for r in readings if not r.overload]
    found = middle(values) if values else float("inf")
    if abs(found / nominal - 1.0) <= CHECK_RESISTOR_SHARE:
        return []
    return [
        Evidence(
            figures=f"{found:.6g} ohm where {nominal:g} ohm is fitted",
            case="check resistor",
            text="The check resistor does not read its value: the meter or its wiring is off.",
            next="Check the meter against a standard; have it calibrated.",
        )
    ]


def _loopback_age(inspection: Inspection) -> list[Evidence]:
    obs = inspection.observed
    if obs.lacks(Absent.LOOPBACK):
        return []  # a recording: whose a figure is stays a question (comparison.py)
    found = _loopback(inspection)
    if found is not None and found.source == "none":
        return [Evidence(figures="no loopback of the channels is in force", case="loopback")]
    kept = obs.header.get("calibration")
    started = _moment(obs.header.get("started_utc"))
    made = _moment(kept.get("made_utc") or kept.get("utc")) if isinstance(kept, dict) else None
    if obs.has(SERIES) or made is None or started is None or not turned(inspection.evaluated.results):
        return []
    days = (started - made).total_seconds() / 86400.0
    if 0.0 <= days <= obs.bench.sampler.loopback_days:
        return []
    return [Evidence(figures=f"the loopback is {days:.2f} days old", case="loopback")]


def _past_due(inspection: Inspection) -> list[Evidence]:
    """It costs traceability, not figures."""
    obs = inspection.observed
    started = _moment(obs.header.get("started_utc"))
    if started is None:
        return []
    due = [n for n, d in obs.bench.devices().items() if d.due is not None and d.due < started.date()]
    return [Evidence(figures=f"past its calibration date: {', '.join(due)}", harmless=True)] if due else []


def _moment(text: object) -> datetime | None:
    if not isinstance(text, str) or not text:
        return None
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        return None


def _of_calibration(results: scopes.Results, found: Evidence) -> scopes.Lines:
    """The meter's resistor decides the resistances, a loopback what compares channels."""
    return scopes.resistances(results, found) if found.case == "check resistor" else scopes.turned(results, found)


RULES = story(
    Rule(
        code="channel-gain",
        looks_at="the gains of the channels in the loopback",
        check=gain,
        text="The gain of the {name} channel is out of its window.",
        next="Check the range and the channel; it is corrected only within the window.",
        spoils=scopes.of_channel,
        asks=("tr_imbalance",),
    ),
    Rule(
        code="skew",
        looks_at="the delays of the channels in the loopback",
        check=skew,
        text="The {name} channel is sampled at another time than the excitation.",
        next="Use simultaneous channels; keep the loopback of the day in force.",
        spoils=scopes.nothing,
        asks=("phase_difference_deg",),
    ),
    Rule(
        code="crosstalk",
        looks_at="the outputs' open inputs while one coil is driven alone",
        check=crosstalk,
        text="The sampler's channels see each other.",
        next="Separate the leads, check the sampler's grounding; use differential inputs.",
        spoils=scopes.turned,
        asks=("error_max_elec_arcmin",),
    ),
    unless=(facts.comes_and_goes_witnessed,),
)
CALIBRATION = story(
    Rule(
        code="calibration-stale",
        looks_at="the check resistor, the age of the loopback, the instruments' calibration dates",
        check=stale,
        text="A calibration that the figures lean on is missing or too old.",
        next="Take a loopback at the start of the shift; have overdue instruments calibrated.",
        spoils=_of_calibration,
        caused_by=("leads-not-zeroed",),
        blocked_by=("live-circuit",),
    ),
)
"""Asked of every run: the check resistor counts where nothing was driven, too."""
