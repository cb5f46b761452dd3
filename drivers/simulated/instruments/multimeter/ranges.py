"""Ranges, integration times and resolutions of the simulated multimeter: a table and one rule, no words.

It must never know a message. Source: Keysight Truevolt Series Operating and Service Guide, "Measurement tutorial" and
"SCPI Programming Reference" (CONFigure: range and resolution); figures with a dagger are from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

from drivers.simulated.instruments.scpi.words import ScpiFault

LINE_HZ = 50.0
OVERLOAD = 9.9e37
NPLCS = (0.02, 0.06, 0.2, 1.0, 10.0, 100.0)
RESOLUTION_OF = {100.0: 3e-8, 10.0: 1e-7, 1.0: 3e-7, 0.2: 7e-7, 0.06: 1.5e-6, 0.02: 3e-6}  # dagger, of the range
AC_SETTLE_S = {3: 2.5, 20: 0.625, 200: 0.025}  # dagger
RANGES = {
    "RES": (1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8),
    "FRES": (1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8),
    "VOLT": (0.1, 1.0, 10.0, 100.0, 1000.0),
    "VOLT:AC": (0.1, 1.0, 10.0, 100.0, 750.0),
}
HEADERS = {"RES": "RESistance", "FRES": "FRESistance", "VOLT": "VOLTage[:DC]", "VOLT:AC": "VOLTage:AC"}
UNITS = {"RES": "OHM", "FRES": "OHM", "VOLT": "V", "VOLT:AC": "V"}
START_RANGE = {"RES": 1e3, "FRES": 1e3, "VOLT": 10.0, "VOLT:AC": 10.0}


@dataclass(frozen=True)
class Setting:
    """How one function measures. range_upper: upper end of the range, ohm or V."""

    range_upper: float
    auto_range: bool = True
    nplc: float = 10.0
    autozero: bool = True


def range_for(name: str, wanted: float) -> float:
    """The smallest range of a function that holds `wanted`. Raises -222 above the largest."""
    for upper in RANGES[name]:
        if abs(wanted) <= upper * 1.000001:
            return upper
    raise ScpiFault(-222)
