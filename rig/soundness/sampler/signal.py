"""Soundness of the sampled channels: clipped, silent, low, stuck, disturbed by foreign signals, phase ambiguous.

It must never judge the part: a silent output whose coil is open is the part's (DC resistance as the witness), a silent
one whose coil is whole is the rig's. The loopback vouches for the channels.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from rig.evaluation.inspection import facts
from rig.evaluation.inspection.inspection import Inspection
from rig.evaluation.inspection.lines import CHANNEL_NAMES, is_healthy, is_open
from rig.evaluation.inspection.thresholds import (
    AMBIGUOUS_RAD,
    CLIP_GROWTH,
    CURRENT_NOISES,
    FEW_STILL_RECORDS,
    HALF_LEVEL,
    LOW_SHARE,
    NEAR_FULL,
    OUTPUT_THERE_V,
    SEEN_BY_PART,
    SILENT_RATIO,
    SILENT_SIGNALS,
)
from rig.evaluation.sampler.loopback import SERIES
from rig.evaluation.sampler.phasors import SeriesPhasors
from rig.observed import BESIDE, RECORD, Absent, Observed
from rig.signal.quality import ChannelQuality
from rig.soundness import scopes
from rig.soundness.rule import Evidence, Rule, story
from rig.soundness.sampler.ceiling import channel_ceiling, turn_ceilings
from rig.soundness.sampler.excitation import distortion
from rig.soundness.turning.no_turn import no_output
from rig.soundness.witness import SILENT_LINE

Floats = NDArray[np.float64]
MOST_SERIES = 5

Look = Callable[[Inspection, str, ChannelQuality], Evidence | None]


def first_series(inspection: Inspection, look: Look) -> list[Evidence]:
    """What a look finds in the channels of the first series in which it finds anything."""
    own = (*inspection.evaluated.swept_series, "excitation", SERIES, RECORD)[:MOST_SERIES]
    for series in (*own, *(one + BESIDE for one in own)):
        quality = inspection.quality(series)
        absent = not_recorded(inspection.observed, series)
        channels = () if quality is None else [one for one in quality.channels if one.name not in absent]
        if found := [one for channel in channels if (one := look(inspection, series, channel)) is not None]:
            return found
    return []


def not_recorded(obs: Observed, series: str) -> set[str]:
    """Channels of a series that hold nothing since nobody recorded them."""
    absent = {"exc_i"} if obs.lacks(Absent.CURRENT) else set()
    if connected := obs.channels_of(series):
        absent |= {"exc_v", "exc_i", "sin", "cos"} - connected
    if obs.has(series + BESIDE):
        absent.add("cos")
    return absent | {"sin"} if series.endswith(BESIDE) else absent


def saturated_channel(inspection: Inspection) -> list[Evidence]:
    """Samples on the rail, harmonics that grow with the level, or a ceiling below the rails."""
    return first_series(inspection, _clipping) or _envelopes_cut(inspection)


def _envelopes_cut(inspection: Inspection) -> list[Evidence]:
    """Many positions at one largest amplitude: an output stops at a ceiling, wherever the rails are."""
    if facts.comes_and_goes(inspection):
        return []
    return [
        Evidence(
            figures=f"{ceiling.at_level} positions at {ceiling.level:.4g} of the excitation, the others belong to a "
            f"swing {100 * ceiling.reach:.1f} % larger",
            subject=name,
            name=CHANNEL_NAMES[name],
            text=f"The {CHANNEL_NAMES[name]} channel is driven beyond a range.",
        )
        for name, ceiling in turn_ceilings(inspection).items()
    ]


def _clipping(inspection: Inspection, series: str, channel: ChannelQuality) -> Evidence | None:
    at = ""
    if channel.is_clipped:
        figures = f"{channel.rail_samples} samples on the rail in {len(channel.rail_records)} captures of {series}"
    elif (growth := _flattening(inspection, series, channel.name)) > CLIP_GROWTH:
        figures = f"harmonics grow with the level by {100 * growth:.2f} % of it in {series}: the peaks are cut"
    elif (ceiling := channel_ceiling(inspection, series, channel.name)) is not None:
        at = f" at {abs(ceiling.level):.4g} V"
        figures = (
            f"{ceiling.at_level} samples of its strongest record stand at {ceiling.level:+.4g} V; what lies below "
        )
        figures += f"belongs to a peak {100 * ceiling.reach:.1f} % higher"
    else:
        return None
    name = CHANNEL_NAMES.get(channel.name, channel.name)
    text = f"The {name} channel is driven beyond its range{at}." if at else ""
    return Evidence(figures=figures, subject=channel.name, name=name, text=text)


def _flattening(inspection: Inspection, series: str, name: str) -> float:
    """Third and fifth harmonic at full level less those at half level, over the fundamental; outputs only. For the
    voltage channel: its distortion beyond that of the outputs; 0 where the outputs share it, for then the source is
    what is bent (excitation-distorted)."""
    found = inspection.evaluated.phasors(series)
    if found is None or not series.startswith(("sweep", "spots", "nulls")) or 3 not in found.fit.orders:
        return 0.0
    odd = [found.fit.orders.index(h) for h in (3, 5) if h in found.fit.orders]
    size = np.abs(found.fit.fundamental)
    bent = np.sqrt(np.sum(np.abs(found.fit.harmonics[:, :, odd]) ** 2, axis=2))
    if name in ("sin", "cos"):
        return _growth(size[:, 2 if name == "sin" else 3], bent[:, 2 if name == "sin" else 3])
    if name != "exc_v" or _source_is_bent(found):
        return 0.0
    there = [c for c in (2, 3) if size[:, c].max() > OUTPUT_THERE_V]
    strongest = [float((bent[:, c] / size[:, c])[np.argmax(size[:, c])]) for c in there]
    return float(np.median(bent[:, 0] / size[:, 0])) - max(strongest) if strongest else 0.0


def _growth(size: Floats, bent: Floats) -> float:
    low, high = HALF_LEVEL
    top = size > NEAR_FULL * size.max()
    half = (size > low * size.max()) & (size < high * size.max())
    if not np.any(half):
        return 0.0
    return float(np.median(bent[top] / size[top]) - np.median(bent[half] / size[half]))


def _source_is_bent(found: SeriesPhasors) -> bool:
    """Whether the outputs share the distortion of the voltage channel."""
    at_coil, in_outputs = distortion(found)
    return in_outputs >= SEEN_BY_PART * at_coil


def constant(inspection: Inspection) -> list[Evidence]:
    """Equal codes where the channel should move."""
    return first_series(inspection, _stuck)


def _stuck(inspection: Inspection, series: str, channel: ChannelQuality) -> Evidence | None:
    if series == inspection.evaluated.hand_series:
        return None  # no fit of a whole record holds while the rotor turns
    if not (channel.constant or channel.constant_records or channel.drop_outs):
        return None
    count = len(channel.constant_records) or len({d.record for d in channel.drop_outs})
    return Evidence(
        figures=f"equal codes in {count} captures of {series}",
        subject=channel.name,
        name=CHANNEL_NAMES.get(channel.name, channel.name),
        harmless=not channel.constant and count <= FEW_STILL_RECORDS,
    )


# ---- silence ------------------------------------------------------------------------------------------------


def silent(inspection: Inspection) -> list[Evidence]:
    """A dead output beside a live one, or no current in a whole coil that is driven."""
    return [*_weak(inspection, silent_ones=True), *_no_current(inspection), *no_output(inspection)]


def low(inspection: Inspection) -> list[Evidence]:
    """A very weak output beside a live one."""
    return _weak(inspection, silent_ones=False)


def _no_current(inspection: Inspection) -> list[Evidence]:
    """Voltage at a whole excitation coil and no current in its channel: the shunt or its channel is dead."""
    found = inspection.evaluated.excitation
    if found is None or is_open(inspection.evaluated, "exc") or is_healthy(inspection.evaluated, "exc") is not True:
        return []
    noise = found.u_noise_v[1] / inspection.observed.bench.sampler.shunt_ohm
    size = float(np.median(np.abs(found.exc_i)))
    if size > CURRENT_NOISES * float(np.max(noise)):
        return []
    return [
        Evidence(
            figures=f"{1e3 * size:.3g} mA at {float(np.median(found.v_exc_rms)):.2f} V rms; the coil's DC resistance "
            "is as it should be",
            subject="exc_i",
            text="The current channel is silent while the coil is driven.",
            next="Check the shunt and the lead of the current channel.",
            witness="DC resistance of the coil",
        )
    ]


def _weak(inspection: Inspection, *, silent_ones: bool) -> list[Evidence]:
    """Both outputs weak: no rotor, or both leads (sound_axis.py)."""
    found = inspection.evaluated.turn
    if found is None or max(float(np.std(found.sine)), float(np.std(found.cosine))) < SILENT_RATIO:
        return []
    size = {"sin": float(np.max(np.abs(found.sine))), "cos": float(np.max(np.abs(found.cosine)))}
    dead_in_loopback = {name for c, name in ((2, "sin"), (3, "cos")) if c in found.loopback.dead}
    reasons = []
    for name, other in (("sin", "cos"), ("cos", "sin")):
        there = size[other] >= SILENT_SIGNALS * SILENT_RATIO and size[name] <= LOW_SHARE * size[other]
        if not there or is_open(inspection.evaluated, name) or (size[name] < SILENT_RATIO) != silent_ones:
            continue
        whole = is_healthy(inspection.evaluated, name)
        by_coil = "DC resistance of the coil" if whole else ""
        reasons.append(
            Evidence(
                figures=f"largest ratio {size[name]:.4f}, the other output reaches {size[other]:.4f}; "
                f"DC resistance of the coil {'as it should be' if whole else 'not judged'}",
                subject=name,
                name=CHANNEL_NAMES[name],
                witness="the loopback is silent on that channel too" if name in dead_in_loopback else by_coil,
            )
        )
    return reasons


def ambiguous_phase(inspection: Inspection) -> list[Evidence]:
    """A carrier phase so far off that the sign of an output can't be told."""
    found = inspection.evaluated.turn
    if found is None:
        return []
    weak = min(float(np.max(np.abs(found.sine))), float(np.max(np.abs(found.cosine)))) < SILENT_SIGNALS * SILENT_RATIO
    phases = {"sin": found.phase_sine_rad, "cos": found.phase_cosine_rad}
    far = {name: phase for name, phase in phases.items() if abs(phase) > AMBIGUOUS_RAD}
    if weak or not far:
        return []
    name, phase = next(iter(far.items()))
    other = math.degrees(phase) - math.copysign(180.0, phase)
    figures = f"{CHANNEL_NAMES[name]} {math.degrees(phase):+.1f} deg against the excitation; "
    return [Evidence(figures=figures + f"{other:+.1f} deg with the zero half an electrical turn off looks the same")]


CHECK_LEAD = "Check the sampler lead, relay rows and range of that channel; swap the channels."

RULES = story(
    Rule(
        code="channel-saturated",
        looks_at="samples on the rail, and harmonics that grow with the level, channel by channel",
        check=saturated_channel,
        text="The {name} channel is driven beyond its range.",
        next="Choose a larger range or a lower level, then sweep again.",
        spoils=scopes.of_channel,
    ),
    Rule(
        code="channel-constant",
        looks_at="codes that stand still",
        check=constant,
        text="The {name} channel stands still while it should move.",
        next="Check the sampler's channel and its lead.",
        spoils=scopes.of_channel,
        blocked_by=("channel-saturated",),
        asks=("tr_sin", "tr_cos"),
        witnesses=SILENT_LINE,
    ),
    Rule(
        code="channel-silent",
        looks_at="an output beside the other one, and the current beside the voltage; the DC resistances",
        check=silent,
        text="The {name} output is silent, its coil whole.",
        next=CHECK_LEAD,
        spoils=scopes.of_silent_channel,
        asks=("tr_sin", "tr_cos"),
        witnesses=SILENT_LINE,
    ),
    Rule(
        code="channel-low",
        looks_at="an output beside the other one; the DC resistance of its coil",
        check=low,
        text="The {name} output is far too low, its coil whole.",
        next=CHECK_LEAD,
        spoils=scopes.of_channel,
        caused_by=("channel-gain",),
        asks=("tr_sin", "tr_cos"),
        witnesses=SILENT_LINE,
    ),
    unless=(facts.comes_and_goes_witnessed,),
)
PHASE = story(
    Rule(
        code="phase-ambiguous",
        looks_at="the carrier phases of the outputs against the excitation",
        check=ambiguous_phase,
        text="The carrier phase is too far from the excitation's to tell the outputs' sign.",
        next="Check the frequency and the channels' delay; a reading of the outputs' sign at DC, or a known-good part, "
        "tells which it is.",
        spoils=scopes.signed,
        caused_by=("skew", "excitation-frequency"),
        asks=("phase_sin_deg", "phase_cos_deg"),
    ),
    unless=(facts.comes_and_goes_witnessed, facts.an_output_open),
)
