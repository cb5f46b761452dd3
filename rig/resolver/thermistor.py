"""Temperature sensors found inside resolvers: resistance to temperature and back, each with its range of validity.

It must never know a part number; nominal values come in. Laws:
ntc     beta law R = R25 exp(B (1/T - 1/298.15 K)), exact only at its anchor points
pt1000  IEC 60751: R0 (1 + A t + B t^2 + C (t - 100) t^3 below 0 degC), -200..850 degC
silicon R = R25 (1 + a (t - 25) + b (t - 25)^2), a 7.88e-3 /K, b 1.937e-5 /K^2, -55..150 degC (from memory, indicative)
ptc     a trip thermistor is no thermometer: only its state can be told (DIN 44081: cold <= 250 ohm, tripped >= 1330
        ohm, a chain adds up; under 20 ohm is a short)
"""

from __future__ import annotations

import math

from rig.errors import UsageError

KELVIN = 273.15
PT_A, PT_B, PT_C = 3.9083e-3, -5.775e-7, -4.183e-12
PT_LOW_DEGC, PT_HIGH_DEGC = -200.0, 850.0
SILICON_A, SILICON_B = 7.88e-3, 1.937e-5
SILICON_RANGE_DEGC = (-55.0, 150.0)


def _positive(ohm: float) -> float:
    if not (ohm > 0 and math.isfinite(ohm)):
        raise UsageError(
            f"A thermistor resistance of {ohm!r} ohm gives no temperature.",
            next_action="Take an open or shorted thermistor as a finding, not as a reading.",
        )
    return ohm


def _need(kind: str, name: str, value: float | None) -> float:
    if value is None or not value > 0:
        raise UsageError(f"A thermistor of kind {kind!r} needs {name}.", next_action=f"Add {name} to the part file.")
    return value


def pt_resistance(t_degc: float, r0_ohm: float = 1000.0) -> float:
    """IEC 60751 resistance, -200..850 degC."""
    if not PT_LOW_DEGC <= t_degc <= PT_HIGH_DEGC:
        raise UsageError(
            f"{t_degc!r} degC lies outside IEC 60751 (-200 to 850 degC).", next_action="Check the reading."
        )
    below = PT_C * (t_degc - 100) * t_degc**3 if t_degc < 0 else 0.0
    return r0_ohm * (1 + PT_A * t_degc + PT_B * t_degc**2 + below)


def pt_temperature(ohm: float, r0_ohm: float = 1000.0) -> float:
    """IEC 60751 temperature: closed form above 0 degC, Newton below it. Raises UsageError outside -200..850 degC."""
    low, high = pt_resistance(PT_LOW_DEGC, r0_ohm), pt_resistance(PT_HIGH_DEGC, r0_ohm)
    if not low <= ohm <= high:
        raise UsageError(
            f"{ohm!r} ohm lies outside IEC 60751 for {r0_ohm:g} ohm at 0 degC ({low:.1f} to {high:.1f} ohm).",
            next_action="Check the kind of thermistor in the part file.",
        )
    ratio = ohm / r0_ohm
    t = (-PT_A + math.sqrt(PT_A**2 - 4 * PT_B * (1 - ratio))) / (2 * PT_B)
    if t >= 0:
        return t
    for _ in range(20):
        value = 1 + PT_A * t + PT_B * t**2 + PT_C * (t - 100) * t**3
        step = (value - ratio) / (PT_A + 2 * PT_B * t + PT_C * (4 * t**3 - 300 * t**2))
        t -= step
        if abs(step) < 1e-12:
            break
    return t


def temperature_degc(
    kind: str,
    ohm: float,
    *,
    r25_ohm: float | None = None,
    beta_k: float | None = None,
) -> float:
    """Temperature by the thermistor's curve.

    kind: "ntc" (r25_ohm and beta_k), "pt1000", "silicon" (r25_ohm). Raises UsageError for "ptc", "none", a
    resistance that is no reading, a missing nominal value or a temperature outside the law's validity. The beta law's
    own range (part file) is the caller's to check.
    """
    _positive(ohm)
    if kind == "ntc":
        r25, beta = _need(kind, "r25_ohm", r25_ohm), _need(kind, "beta_k", beta_k)
        inverse = 1 / (25 + KELVIN) + math.log(ohm / r25) / beta
        if inverse <= 1 / (500 + KELVIN):
            raise UsageError(f"{ohm!r} ohm is far below the beta law.", next_action="Take it as a shorted thermistor.")
        return 1 / inverse - KELVIN
    if kind == "pt1000":
        return pt_temperature(ohm)
    if kind == "silicon":
        return _silicon_temperature(ohm, _need(kind, "r25_ohm", r25_ohm))
    raise UsageError(
        f"A thermistor of kind {kind!r} gives no temperature.",
        next_action="Correct the kind: a ptc that trips has no temperature.",
    )


def resistance_ohm(
    kind: str,
    t_degc: float,
    *,
    r25_ohm: float | None = None,
    beta_k: float | None = None,
) -> float:
    """Resistance that the curve gives at t_degc; the inverse of `temperature_degc`, same kinds, same errors."""
    if kind == "ntc":
        beta = _need(kind, "beta_k", beta_k)
        return _need(kind, "r25_ohm", r25_ohm) * math.exp(beta * (1 / (t_degc + KELVIN) - 1 / (25 + KELVIN)))
    if kind == "pt1000":
        return pt_resistance(t_degc)
    if kind == "silicon":
        low, high = SILICON_RANGE_DEGC
        if not low <= t_degc <= high:
            raise UsageError(f"{t_degc!r} degC: the silicon law holds from {low:g} to {high:g} degC.")
        d = t_degc - 25
        return _need(kind, "r25_ohm", r25_ohm) * (1 + SILICON_A * d + SILICON_B * d * d)
    raise UsageError(f"A thermistor of kind {kind!r} has no curve.", next_action="Judge a ptc by its state.")


def _silicon_temperature(ohm: float, r25_ohm: float) -> float:
    low, high = SILICON_RANGE_DEGC
    inside = SILICON_A**2 - 4 * SILICON_B * (1 - ohm / r25_ohm)
    t = 25 + (-SILICON_A + math.sqrt(inside)) / (2 * SILICON_B) if inside >= 0 else -math.inf
    if not low - 0.01 <= t <= high + 0.01:
        raise UsageError(
            f"{ohm!r} ohm lies outside the silicon law ({low:g} to {high:g} degC).",
            next_action="Check the kind of thermistor and its polarity.",
        )
    return t
