"""The simulated multimeter at the rows of the relay matrix: resistance, DC and AC volts, with a meter's own errors.

Two-wire readings contain meter and adapter leads, four-wire ones sense at the part's terminals. Thermal EMF sits in
the adapter, so it turns its sign with the polarity; offset compensation removes it. While the part is excited a
resistance reading is rubbish. Values come in ohms and volts, infinite when open.
"""

from __future__ import annotations

import math

import numpy as np

from drivers.simulated.world.excitation import Source
from drivers.simulated.world.part.stand_ins import Fitted
from drivers.simulated.world.part.thermal import curve_ohm
from drivers.simulated.world.wiring import CHECK_OHM, CHECK_RESISTOR, LEAD_SHORT, METER_HI, METER_LO, Wired, columns
from drivers.simulated.worldfile.keys import WorldFile

# Test current below each resistance, as bench multimeters of six and a half digits have it (A).
TEST_CURRENTS = ((1.2e3, 1e-3), (12e3, 100e-6), (120e3, 10e-6), (1.2e6, 5e-6), (12e6, 500e-9), (math.inf, 50e-9))
NOISE_FLOOR_OHM = 20.0
LARGEST_OHM = 2e9
OFFSET_NOISE_V = 0.3e-6
AC_FLOOR_V = 20e-6
LIVE_V = 1e-3
SILICON_REVERSED = 0.95


def test_current_a(ohm: float) -> float:
    """The current with which a meter would measure a resistance."""
    return next(current for below, current in TEST_CURRENTS if ohm < below)


class Metering:
    """The meter; holds its randomness and nothing else."""

    def __init__(self, world: WorldFile, part: Fitted, rng: np.random.Generator) -> None:
        self._world, self._part, self._rng = world, part, rng

    def resistance_ohm(
        self,
        wired: Wired,
        source: Source | None,
        *,
        four_wire: bool,
        offset_compensation: bool,
        nplc: float,
        angle: float,
    ) -> float:
        """One reading; angle: rotor, mechanical rad (what is excited depends on it)."""
        meter = self._world.multimeter
        true = self._true_ohm(wired, four_wire)
        live_v = self._live_ac_v(wired, source, angle) + abs(self._stray_dc_v(wired)) + self._stray_ac_v(wired)
        if live_v > LIVE_V:
            return self._rubbish(true, live_v)
        if true > LARGEST_OHM:
            return math.inf
        reading = true * (1 + 1e-6 * meter.gain_ppm)
        if not offset_compensation:
            reading += self._emf_v(wired) / test_current_a(true)
        sigma = 1e-6 * meter.noise_ppm * (abs(true) + NOISE_FLOOR_OHM) / math.sqrt(max(nplc, 0.001))
        return float(reading + sigma * self._rng.standard_normal())

    def dc_v(self, wired: Wired, nplc: float) -> float:
        """DC volts at the rows."""
        volts = self._stray_dc_v(wired) + self._emf_v(wired)
        gain = 1 + 1e-6 * self._world.multimeter.gain_ppm
        return float(volts * gain + OFFSET_NOISE_V * self._rng.standard_normal() / math.sqrt(max(nplc, 0.001)))

    def ac_v(self, wired: Wired, source: Source | None, angle: float, magnet_v: tuple[float, float]) -> float:
        """AC volts rms at the rows. magnet_v: rms of a magnetised rotor in the sine and cosine coils."""
        parts = [self._live_ac_v(wired, source, angle), self._stray_ac_v(wired), self._magnet_v(wired, magnet_v)]
        volts = math.sqrt(sum(v * v for v in parts)) * (1 + 1e-6 * self._world.multimeter.gain_ppm)
        return float(math.hypot(volts, AC_FLOOR_V * (1 + 0.1 * self._rng.standard_normal())))

    def _true_ohm(self, wired: Wired, four_wire: bool) -> float:
        leads = 0.0 if four_wire else self._world.multimeter.lead_ohm
        if LEAD_SHORT in wired.closed:
            return leads
        if CHECK_RESISTOR in wired.closed:
            return CHECK_OHM + leads
        if not (wired.is_connected(1) and wired.is_connected(2)):
            return math.inf
        sense = (wired.sense_of_row[1], wired.sense_of_row[2]) if four_wire else (None, None)
        ohm = wired.network.resistance_ohm(METER_HI, METER_LO, *sense)
        return self._thermistor_effects(wired, ohm) + leads

    def _thermistor_effects(self, wired: Wired, ohm: float) -> float:
        """Polarity of a silicon sensor and heating by the test current, where the meter is on the thermistor."""
        ends = (wired.sense_of_row[1], wired.sense_of_row[2])
        part = self._world.part
        if set(ends) != {"thermistor_hi", "thermistor_lo"} or not math.isfinite(ohm):
            return ohm
        if part.thermistor.kind == "silicon" and ends[0] == "thermistor_lo":
            ohm *= SILICON_REVERSED
        if part.thermistor.dissipation_mw_k:
            kelvin = 1e3 * test_current_a(ohm) ** 2 * ohm / part.thermistor.dissipation_mw_k
            base = self._world.climate.part_degc + part.faults.thermistor_offset_degc
            ohm *= curve_ohm(part, base + kelvin) / curve_ohm(part, base)
        return ohm

    def _rubbish(self, true: float, live_v: float) -> float:
        around = true if math.isfinite(true) else LARGEST_OHM
        swing = live_v / test_current_a(around)
        return float((around + swing) * (1 + 0.5 * self._rng.standard_normal()))

    def _emf_v(self, wired: Wired) -> float:
        high, low = wired.columns_of_row.get(1, ()), wired.columns_of_row.get(2, ())
        if not high or not low or LEAD_SHORT in wired.closed or CHECK_RESISTOR in wired.closed:
            return 0.0
        return math.copysign(1e-6 * self._world.multimeter.emf_uv, low[0] - high[0])

    # ---- voltages that should not be there -----------------------------------------------------------------

    def _live_ac_v(self, wired: Wired, source: Source | None, angle: float) -> float:
        """Rms of what the source puts across the rows."""
        if source is None or not (source.open_circuit_v_peak and wired.is_connected(1) and wired.is_connected(2)):
            return 0.0
        orders_hz = source.true_frequency_hz * np.array(source.orders, dtype=np.float64)
        solved = wired.network.solve_ac(orders_hz, self._part.iron(np.array([angle])))
        peaks = solved.across(METER_HI, METER_LO)[:, 0] * source.emf_v_peak
        return float(np.linalg.norm(peaks) / math.sqrt(2))

    def _stray_sign(self, wired: Wired) -> int:
        """+1 or -1 where one row only is on the live terminal's circuit, else 0."""
        terminals = columns(self._world)
        live = self._world.wiring.live_terminal.split("_")[0]
        on = []
        for row in (1, 2):
            found = wired.columns_of_row.get(row, ())
            on.append(any(terminals.get(column, "").split("_")[0] == live for column in found))
        if not (wired.is_connected(1) and wired.is_connected(2)):
            return 0
        return int(on[0]) - int(on[1])

    def _stray_dc_v(self, wired: Wired) -> float:
        return self._world.wiring.live_v_dc * self._stray_sign(wired)

    def _stray_ac_v(self, wired: Wired) -> float:
        return self._world.wiring.live_v_ac / math.sqrt(2) * abs(self._stray_sign(wired))

    def _magnet_v(self, wired: Wired, magnet_v: tuple[float, float]) -> float:
        ends = {wired.sense_of_row.get(1), wired.sense_of_row.get(2)}
        for coil, volts in zip(("sin", "cos"), magnet_v, strict=True):
            if ends == {f"{coil}_hi", f"{coil}_lo"}:
                return volts
        return 0.0
