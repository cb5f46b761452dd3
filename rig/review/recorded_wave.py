"""Sampled channels of a recording from elsewhere: do they saturate, what disturbs them, what one record says.

It must never know a file. A saturated input shows as a plateau of equal extremes, or as a fundamental, fitted to the
lower part of the swing only, that reaches well above what was recorded (a distorted source, seen in the excitation
too, is taken off). One record at one position has level, frequency, amplitudes, phases and one electrical angle,
that within half a turn. Source: design page "signal", sections 1.3 and 1.4 (clipping).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from rig.result import Reason, Result
from rig.signal.quality import Quality
from rig.signal.sine_fit import Fit, basis

Floats = NDArray[np.float64]
NAMES = {"exc": "excitation", "sin": "sine", "cos": "cosine"}
PLATEAU_PAIRS = 3
FLATTENED = 0.01
TELLING = 0.1  # least singular value a root of the samples, of a fit that tells
PLATEAU_FLATTENED = 0.002
INTERFERENCE = 2e-3
DISTORTED = 0.03
SKEW_DEG = 1.0
DEG = 180.0 / math.pi


def plateau(values: Floats) -> tuple[int, float]:
    """(neighbours that share the record's highest or lowest value, that value), the end that has more of them.

    A coarsely rounded peak has a plateau too: only beside `flattening` it means saturation.
    """
    best = (0, 0.0)
    for extreme in (float(values.max()), float(values.min())):
        at = values == extreme
        pairs = int(np.count_nonzero(at[1:] & at[:-1]))
        if pairs > best[0]:
            best = (pairs, extreme)
    return best


def flattening(values: Floats, rate_hz: float, frequency_hz: float) -> float:
    """How far the fundamental, fitted to samples below 0.8 of the swing, reaches above the recorded peak, relative.

    Both are compared at the samples: between them a peak may stand higher (few samples a cycle). 0 where those
    samples stand at too few phases of the cycle to tell (four or five to a cycle, locked to it).
    """
    centred = values - 0.5 * (values.max() + values.min())
    peak = float(np.max(np.abs(centred)))
    low = np.abs(centred) < 0.8 * peak
    if peak <= 0 or np.count_nonzero(low) < 8:
        return 0.0
    rows = basis(frequency_hz, rate_hz, values.size, (1,))
    found, _, _, singular = np.linalg.lstsq(rows[low], centred[low], rcond=None)
    if singular[-1] < TELLING * math.sqrt(np.count_nonzero(low)):
        return 0.0
    noise = float(np.std(centred[low] - rows[low] @ found))
    return float(np.max(np.abs(rows @ found)) - peak - 3 * noise) / peak


def saturation(
    volts: Floats, names: Sequence[str], rate_hz: float, frequency_hz: float, rail_v: tuple[float, float] | None = None
) -> list[Reason]:
    """A reason for each channel that saturates. volts (n, channels, m): the records to look at, names of channels."""
    excitation = names.index("exc")
    reasons = []
    bent = {}
    for c in range(len(names)):
        record = volts[int(np.argmax(np.ptp(volts[:, c, :], axis=1))), c]
        bent[c] = flattening(record, rate_hz, frequency_hz)
    for c, name in enumerate(names):
        record = volts[int(np.argmax(np.ptp(volts[:, c, :], axis=1))), c]
        pairs, level_v = plateau(record)
        peak = float(np.max(np.abs(record)))
        on_rail = rail_v is not None and int(np.count_nonzero((record <= rail_v[0]) | (record >= rail_v[1]))) >= 2
        if on_rail or (pairs >= PLATEAU_PAIRS and bent[c] > PLATEAU_FLATTENED):
            told = f"{max(pairs + 1, 2)} samples stand at {level_v if pairs else peak:+.4g} V"
        elif c != excitation and bent[c] - max(0.0, bent[excitation]) > FLATTENED:
            told = f"its lower part belongs to a peak of {peak * (1 + bent[c]):.4g} V, {peak:.4g} V were recorded"
        else:
            continue
        reasons.append(
            Reason(
                code="channel-saturated",
                text=f"The {NAMES.get(name, name)} input saturates at {peak:.4g} V.",
                evidence=told,
                next="Choose a larger range or a lower level on that channel, then record again.",
            )
        )
    return reasons


def disturbance(quality: Quality, fit: Fit, names: Sequence[str]) -> list[Reason]:
    """Interference, gaps and a distorted excitation; they leave the figures of the fundamental standing."""
    reasons = []
    for name in names:
        channel = quality[name]
        lines = [line for line in channel.lines if line.relative > INTERFERENCE]
        if lines:
            near = min(lines, key=lambda line: abs(line.hz - fit.frequency_hz))
            told = ", ".join(f"{line.amplitude_v:.3g} V at {line.hz:.6g} Hz" for line in lines[:3])
            apart = abs(near.hz - fit.frequency_hz)
            reasons.append(
                Reason(
                    code="interference",
                    text=f"The {NAMES.get(name, name)} channel holds lines that are not the excitation's.",
                    evidence=f"{told}; the nearest is {apart:.4g} Hz from the carrier",
                    next=f"Find the source, screen the leads, or record longer than {1 / max(apart, 1e-9):.3g} s.",
                    spoils=(),
                )
            )
        if channel.drop_outs:
            first = channel.drop_outs[0]
            reasons.append(
                Reason(
                    code="record-overwritten",
                    text=f"The {NAMES.get(name, name)} channel stands still within a record: samples were lost.",
                    evidence=f"{len(channel.drop_outs)} runs, the first of {first.length} equal samples in record "
                    f"{first.record}",
                    next="Record again without gaps.",
                )
            )
    return reasons + _distorted(fit, names)


def _distorted(fit: Fit, names: Sequence[str]) -> list[Reason]:
    thd = float(np.median(fit.thd()[:, list(names).index("exc")]))
    if thd <= DISTORTED:
        return []
    return [
        Reason(
            code="excitation-distorted",
            text="The excitation is distorted.",
            evidence=f"harmonics 2 to {1 + len(fit.orders)} are {100 * thd:.1f} % of the fundamental",
            next="Lower the level, check that the amplifier can drive the coil's current; then record again.",
            spoils=(),
        )
    ]


def skew(phase_difference_deg: float, frequency_hz: float | None) -> list[Reason]:
    """A phase between the outputs: the sampler's delay or the sensor's own; the angle stands, the phases are open."""
    if abs(phase_difference_deg) < SKEW_DEG:
        return []
    delay = "" if frequency_hz is None else f", {1e6 * abs(phase_difference_deg) / 360 / frequency_hz:.2f} us"
    return [
        Reason(
            code="skew",
            text="Sine and cosine are not in phase: channels sampled one after the other, or the sensor's own phases?",
            evidence=f"{phase_difference_deg:+.2f} deg between their carriers{delay}; each is taken on its own phase",
            next="Record one signal on all channels at once and take its phases off.",
            spoils=(),
        )
    ]


# ---- one record ---------------------------------------------------------------------------------------------


def record_lines(fit: Fit, u_rate_relative: float, u_hz: float) -> list[Result]:
    """The lines of one record at one position. Channels in the order exc, sin, cos; the excitation is live."""
    exc, sine, cosine = (complex(part) for part in fit.fundamental[0])
    u_exc, u_sin, u_cos = (float(part) for part in fit.u_amplitude[0])
    s, c = sine / exc, cosine / exc
    common = 0.5 * float(np.angle(s * s + c * c))
    u_s, u_c = math.hypot(u_sin, abs(s) * u_exc) / abs(exc), math.hypot(u_cos, abs(c) * u_exc) / abs(exc)
    u, v = (s * np.exp(-1j * common)).real, (c * np.exp(-1j * common)).real
    radius = math.hypot(abs(s), abs(c))
    u_f = math.hypot(u_hz, u_rate_relative * fit.frequency_hz)
    note_ratio = "at this position only: the largest ratio needs a turn"
    rows: list[tuple[str, float, str, float, str]] = [
        ("v_exc_rms", abs(exc) / math.sqrt(2), "V", u_exc / math.sqrt(2), ""),
        ("f_exc_hz", fit.frequency_hz, "Hz", u_f, "against the recorder's own clock"),
        ("thd_exc", float(fit.thd()[0, 0]), "ratio", u_exc / abs(exc), "harmonics 2 to 5"),
        ("amplitude_exc_v", abs(exc), "V", u_exc, "peak"),
        ("amplitude_sin_v", abs(sine), "V", u_sin, "peak"),
        ("amplitude_cos_v", abs(cosine), "V", u_cos, "peak"),
        ("ratio_sin", abs(s), "ratio", u_s, note_ratio),
        ("ratio_cos", abs(c), "ratio", u_c, note_ratio),
        ("ratio_both", radius, "ratio", max(u_s, u_c), "root of the sum of squares: about the transformation ratio"),
        (
            "phase_sin_deg",
            _own_phase(s, common),
            "deg",
            DEG * u_s / max(abs(s), 1e-12),
            "skew of the channels is in it",
        ),
        (
            "phase_cos_deg",
            _own_phase(c, common),
            "deg",
            DEG * u_c / max(abs(c), 1e-12),
            "skew of the channels is in it",
        ),
        ("angle_elec_deg", math.degrees(math.atan2(u, v)), "deg", DEG * max(u_s, u_c) / max(radius, 1e-12), _ANGLE),
    ]
    dof = max(1.0, fit.samples - 3.0 - 2.0 * len(fit.orders))
    return [
        Result(
            measurand=id_,
            estimate=float(value),
            unit=unit,
            u=float(u_value),
            k=2.0,
            dof=dof,
            conditions={"frequency_hz": fit.frequency_hz},
            note=note,
        )
        for id_, value, unit, u_value, note in rows
    ]


_ANGLE = "electrical; half a turn off if the output's phase were beyond 90 deg"


def _own_phase(ratio: complex, common: float) -> float:
    """The ratio's phase on the branch near the common one, degrees: the sign belongs to the angle, not to the phase."""
    phase = float(np.angle(ratio))
    if math.cos(phase - common) < 0:
        phase += math.pi if phase <= 0 else -math.pi
    return math.degrees(phase)
