"""Copper: resistance brought to a reference temperature, and temperature from a resistance ratio.

It must never know how the resistance was measured. Law: R(t) / R(ref) = (234.5 + t) / (234.5 + ref), degC; the other
conventions in use (235; 0.00393 a kelvin at 20 degC) differ by 40 ppm over 5 K. Source: IEC 60228 annex B; IEC 60034-1.
"""

from __future__ import annotations

from rig.errors import UsageError

COPPER_CONSTANT_DEGC = 234.5
LOW_DEGC, HIGH_DEGC = -60.0, 250.0


def _copper_ratio_term(t_degc: float) -> float:
    if not LOW_DEGC <= t_degc <= HIGH_DEGC:
        raise UsageError(
            f"A coil temperature of {t_degc!r} degC: the copper law is used from {LOW_DEGC:g} to {HIGH_DEGC:g} degC.",
            next_action="Check the thermometer.",
        )
    return COPPER_CONSTANT_DEGC + t_degc


def r_at(r_ohm: float, t_degc: float, ref_degc: float = 20.0) -> float:
    """Resistance at ref_degc of a copper coil that shows r_ohm at t_degc (both -60..250 degC).

    >>> round(r_at(12.5, 25.0), 4)
    12.2592
    """
    return r_ohm * _copper_ratio_term(ref_degc) / _copper_ratio_term(t_degc)


def degc_at(r_ohm: float, r20_ohm: float) -> float:
    """Temperature, degC, of a copper coil that shows r_ohm and has r20_ohm at 20 degC: the same law solved for t.

    >>> round(degc_at(12.5, 12.2592), 2)
    25.0
    """
    return r_ohm / r20_ohm * (COPPER_CONSTANT_DEGC + 20.0) - COPPER_CONSTANT_DEGC
