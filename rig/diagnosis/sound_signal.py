"""Soundness of the sampled channels: clipped, silent, low, stuck, disturbed; gain, delay and crosstalk between them.

It must never judge the part: a silent output whose coil is open is the part's (DC resistance as the witness), a silent
one whose coil is whole is the rig's. The loopback vouches for the channels, the coil driven alone for the crosstalk.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from rig.diagnosis.inspection import Inspection
from rig.diagnosis.lines import group, is_healthy, is_open, output_lines
from rig.diagnosis.sound_ceiling import channel_ceiling, turn_ceilings
from rig.diagnosis.sound_channels import NAMES, channel_reasons, spoiled_by
from rig.evaluation.loopback import SERIES
from rig.observed import RECORD, Absent
from rig.result import Reason, Result
from rig.signal.quality import ChannelQuality
from rig.signal.sine_fit import Fit, fit_stack

MEASURING = ("sweep", "spots", RECORD)
SIGNED = ("zero_elec_deg", "phase_sin_deg", "phase_cos_deg")  # half a turn of the zero is a change of sign
LOW_RANGE = 0.01
SILENT_RATIO = 0.01
CLIP_GROWTH = 0.004
ANGLE_HARM_RAD = 3e-4  # about one arcminute, electrical
HIDDEN_RAD = 1e-3  # a background this large hides harmful pick-up, noise or not
NOISE_SIGMAS = 4.0  # a background beyond its own noise by less is no pick-up
AMBIGUOUS_RAD = math.radians(60.0)  # a phase of 120 deg and beyond looks like one of this size


def signal_reasons(inspection: Inspection, results: Sequence[Result]) -> list[Reason]:
    """Every reason that the channels give."""
    reasons: list[Reason] = []
    for name in (*inspection.evaluated.swept_series, "excitation", SERIES, RECORD)[:5]:
        reasons += [r for r in _of_series(inspection, name, results) if r.code not in {x.code for x in reasons}]
    if not any(reason.code == "channel-saturated" for reason in reasons):
        reasons += _envelopes_cut(inspection, results)
    return [
        *reasons,
        *_silent(inspection, results),
        *_no_current(inspection),
        *channel_reasons(inspection, results),
        *_background(inspection, results),
        *_phases(inspection),
    ]


def _of_series(inspection: Inspection, series: str, results: Sequence[Result]) -> list[Reason]:
    quality = inspection.quality(series)
    if quality is None:
        return []
    reasons = []
    by_hand = series == inspection.evaluated.hand_series  # no fit of a whole record holds while the rotor turns
    for channel in quality.channels:
        clipped = _clipped(inspection, series, channel, results)
        silent_by_nature = channel.name == "exc_i" and inspection.observed.lacks(Absent.CURRENT)
        if by_hand:
            reasons += clipped
            continue
        reasons += clipped or ([] if silent_by_nature else _stuck(series, channel, results))
        reasons += _interference(inspection, series, channel, results)
    return reasons


def _clipped(inspection: Inspection, series: str, channel: ChannelQuality, results: Sequence[Result]) -> list[Reason]:
    told = ""
    if channel.clipped:
        told = f"{channel.rail_samples} samples on the rail in {len(channel.rail_records)} captures of {series}"
    elif (growth := _flattening(inspection, series, channel.name)) > CLIP_GROWTH:
        told = f"harmonics grow with the level by {100 * growth:.2f} % of it in {series}: the peaks are cut"
    ceiling = None if told else channel_ceiling(inspection, series, channel.name)
    if ceiling is not None:
        told = f"{ceiling.at_level} samples of its strongest record stand at {ceiling.level:+.4g} V; what lies below "
        told += f"belongs to a peak {100 * ceiling.reach:.1f} % higher"
    if not told:
        return []
    at = "" if ceiling is None else f" at {abs(ceiling.level):.4g} V"
    return [
        Reason(
            code="channel-saturated",
            text=f"The {NAMES.get(channel.name, channel.name)} channel is driven beyond its range{at}.",
            evidence=told,
            next="Choose a larger range or a lower level, then sweep again.",
            spoils=spoiled_by(channel.name, results),
        )
    ]


def _envelopes_cut(inspection: Inspection, results: Sequence[Result]) -> list[Reason]:
    """Many positions at one largest amplitude: an output stops at a ceiling, wherever the rails are."""
    cut = turn_ceilings(inspection)
    if not cut:
        return []
    evidence = "; ".join(
        f"{NAMES[name]}: {ceiling.at_level} positions at {ceiling.level:.4g} of the excitation, the others belong to a "
        f"swing {100 * ceiling.reach:.1f} % larger"
        for name, ceiling in cut.items()
    )
    names = " and ".join(NAMES[name] for name in cut)
    return [
        Reason(
            code="channel-saturated",
            text=f"The {names} {'channels are' if len(cut) > 1 else 'channel is'} driven beyond a range.",
            evidence=evidence,
            next="Choose a larger range or a lower level, then sweep again.",
            spoils=tuple(dict.fromkeys(id_ for name in cut for id_ in spoiled_by(name, results))),
        )
    ]


def _flattening(inspection: Inspection, series: str, name: str) -> float:
    """Third and fifth harmonic at full level less those at half level, over the fundamental; outputs only. For the
    voltage channel: its distortion beyond that of the outputs, which a distorted source would share."""
    found = inspection.evaluated.phasors(series)
    if found is None or 3 not in found.fit.orders:
        return 0.0
    odd = [found.fit.orders.index(h) for h in (3, 5) if h in found.fit.orders]
    size = np.abs(found.fit.fundamental)
    bent = np.sqrt(np.sum(np.abs(found.fit.harmonics[:, :, odd]) ** 2, axis=2))
    if name in ("sin", "cos") and series.startswith(("sweep", "spots")):
        c = 2 if name == "sin" else 3
        top = size[:, c] > 0.95 * size[:, c].max()
        half = (size[:, c] > 0.35 * size[:, c].max()) & (size[:, c] < 0.65 * size[:, c].max())
        if not np.any(half):
            return 0.0
        return float(np.median(bent[top, c] / size[top, c]) - np.median(bent[half, c] / size[half, c]))
    if name == "exc_v" and series.startswith(("sweep", "spots")):
        strongest = [float((bent[:, c] / size[:, c])[np.argmax(size[:, c])]) for c in (2, 3) if size[:, c].max() > 0.1]
        return float(np.median(bent[:, 0] / size[:, 0])) - max(strongest) if strongest else 0.0
    return 0.0


def _stuck(series: str, channel: ChannelQuality, results: Sequence[Result]) -> list[Reason]:
    if not (channel.constant or channel.constant_records or channel.drop_outs):
        return []
    count = len(channel.constant_records) or len({d.record for d in channel.drop_outs})
    few = not channel.constant and count <= 2
    return [
        Reason(
            code="channel-constant",
            text=f"The {NAMES.get(channel.name, channel.name)} channel stands still while it should move.",
            evidence=f"equal codes in {count} captures of {series}",
            next="Check the sampler's channel and its lead.",
            spoils=() if few else spoiled_by(channel.name, results),
        )
    ]


def _interference(
    inspection: Inspection, series: str, channel: ChannelQuality, results: Sequence[Result]
) -> list[Reason]:
    found = inspection.evaluated.phasors(series)
    if channel.name not in ("sin", "cos") or not channel.lines or found is None or not series.startswith(MEASURING):
        return []
    stack = inspection.observed.captures.stack(series)
    seconds = stack.codes.shape[2] / stack.sample_rate_hz
    carrier = found.frequency.frequency_hz
    worst = max(channel.lines, key=lambda line: line.relative)
    harm = max(line.relative / max(1.0, math.pi * seconds * abs(line.hz - carrier)) for line in channel.lines)
    if worst.relative < 0.005 and harm < ANGLE_HARM_RAD:
        return []
    return [
        Reason(
            code="interference",
            text=f"A foreign signal is on the {NAMES[channel.name]} channel.",
            evidence=f"{worst.hz:.0f} Hz at {1e3 * worst.amplitude_v:.2f} mV peak ({100 * worst.relative:.2f} % of the "
            f"carrier, {abs(worst.hz - carrier):.4g} Hz from it); at most {harm * 3437.7:.2f}' electrical get through",
            next="Switch off nearby inverters, check the shield and the ground, then sweep again.",
            spoils=_but_counts(spoiled_by(channel.name, results)) if harm > ANGLE_HARM_RAD else (),
        )
    ]


def _but_counts(lines: tuple[str, ...]) -> tuple[str, ...]:
    """A foreign signal bends angles; it does not change how many turns there are, nor which way."""
    return tuple(id_ for id_ in lines if id_ not in ("pole_pairs", "direction"))


def _no_current(inspection: Inspection) -> list[Reason]:
    """Voltage at a whole excitation coil and no current in its channel: the shunt or its channel is dead."""
    found = inspection.evaluated.excitation
    if found is None or is_open(inspection.evaluated, "exc") or is_healthy(inspection.evaluated, "exc") is not True:
        return []
    noise = found.u_noise_v[1] / inspection.observed.bench.sampler.shunt_ohm
    size = float(np.median(np.abs(found.exc_i)))
    if size > 10.0 * float(np.max(noise)):
        return []
    return [
        Reason(
            code="channel-silent",
            text="The current channel is silent while the coil is driven.",
            evidence=f"{1e3 * size:.3g} mA at {float(np.median(found.v_exc_rms)):.2f} V rms; the coil's DC resistance "
            "is as it should be",
            next="Check the shunt and the lead of the current channel.",
            spoils=("i_exc_rms", *group("impedance")),
            witness="DC resistance of the coil",
        )
    ]


def _silent(inspection: Inspection, results: Sequence[Result]) -> list[Reason]:
    """A dead or very weak output beside a live one. Both weak: no rotor, or both leads (sound_axis.py)."""
    found = inspection.evaluated.turn
    if found is None or max(float(np.std(found.sine)), float(np.std(found.cosine))) < SILENT_RATIO:
        return []
    dead = {2: "sin", 3: "cos"}
    in_loopback = {dead[c] for c in found.loopback.dead if c in dead}
    size = {"sin": float(np.max(np.abs(found.sine))), "cos": float(np.max(np.abs(found.cosine)))}
    reasons = []
    for name, other in (("sin", "cos"), ("cos", "sin")):
        if size[other] < 3.0 * SILENT_RATIO or size[name] > 0.3 * size[other] or is_open(inspection.evaluated, name):
            continue
        silent = size[name] < SILENT_RATIO
        whole = is_healthy(inspection.evaluated, name)
        reasons.append(
            Reason(
                code="channel-silent" if silent else "channel-low",
                text=f"The {NAMES[name]} output {'is silent' if silent else 'is far too low'}, its coil whole.",
                evidence=f"largest ratio {size[name]:.4f}, the other output reaches {size[other]:.4f}; "
                f"DC resistance of the coil {'as it should be' if whole else 'not judged'}",
                next="Check the sampler lead, relay rows and range of that channel; swap the channels.",
                spoils=output_lines(name, results),
                witness="the loopback is silent on that channel too"
                if name in in_loopback
                else "DC resistance of the coil"
                if whole
                else "",
            )
        )
    return reasons


def _background(inspection: Inspection, results: Sequence[Result]) -> list[Reason]:
    """Pick-up near the carrier, where the sweep can't tell it from the signal: seen with the excitation off."""
    found = inspection.evaluated.turn
    if found is None or not inspection.observed.has("background"):
        return []
    stack = inspection.observed.captures.stack("background")
    fitted = fit_stack(stack, found.frequency_hz, harmonics=1)
    reasons = []
    for c, name, side in ((2, "sin", found.sine), (3, "cos", found.cosine)):
        full = float(np.max(np.abs(side))) * float(np.mean(np.abs(found.exc_v)))
        share = _pick_up(fitted, c, full * HIDDEN_RAD) / max(full, 1e-12)
        if float(np.max(np.abs(side))) > 0.05 and share > ANGLE_HARM_RAD:
            reasons.append(
                Reason(
                    code="interference",
                    text=f"A foreign signal near the carrier is on the {NAMES[name]} channel.",
                    evidence=f"{100 * share:.3f} % of the signal stays at the carrier's frequency when the excitation "
                    f"is off: {share * 3437.7:.1f}' electrical",
                    next="Switch off nearby inverters, check the shield and the ground, then sweep again.",
                    spoils=_but_counts(spoiled_by(name, results)),
                    witness="captures with the excitation off",
                )
            )
    return reasons


def _pick_up(fitted: Fit, c: int, hidden_v: float) -> float:
    """Rms amplitude (V peak) at the carrier beyond what the channel's own noise gives; 0 where noise explains it.

    Noise alone gives |amplitude|^2 / u^2 a chi-square law of two degrees of freedom a record. Noise above hidden_v
    would hide a pick-up that does harm: then nothing is taken off, and the captures vouch for nothing.
    """
    records = len(fitted.fundamental)
    noise = 2.0 * float(np.mean(fitted.u_amplitude[:, c] ** 2))
    power = float(np.mean(np.abs(fitted.fundamental[:, c]) ** 2))
    if power > hidden_v**2:
        return math.sqrt(power)
    return math.sqrt(power - noise) if power > noise * (1.0 + NOISE_SIGMAS / math.sqrt(records)) else 0.0


def _phases(inspection: Inspection) -> list[Reason]:
    found = inspection.evaluated.turn
    if found is None or is_open(inspection.evaluated, "sin") or is_open(inspection.evaluated, "cos"):
        return []
    phases = {"sin": found.phase_sine_rad, "cos": found.phase_cosine_rad}
    weak = min(float(np.max(np.abs(found.sine))), float(np.max(np.abs(found.cosine)))) < 3.0 * SILENT_RATIO
    far = {name: phase for name, phase in phases.items() if abs(phase) > AMBIGUOUS_RAD}
    if weak or not far:
        return []
    name, phase = next(iter(far.items()))
    return [
        Reason(
            code="phase-ambiguous",
            text="The carrier phase is too far from the excitation's to tell the outputs' sign.",
            evidence=f"{NAMES[name]} {math.degrees(phase):+.1f} deg against the excitation; "
            f"{math.degrees(phase) - math.copysign(180.0, phase):+.1f} deg with the zero half an electrical turn off "
            "looks the same",
            next="Check the frequency and the channels' delay; a reading of the outputs' sign at DC, or a known-good "
            "part, tells which it is.",
            spoils=SIGNED,
        )
    ]
