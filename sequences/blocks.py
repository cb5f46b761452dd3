"""The steps that sequences are put together from, each named once with its title, its condition and its gate.

It must never hold a measurement itself.
"""

from __future__ import annotations

from dataclasses import replace

from rig.control.sequencer import Step
from rig.control.step import Context
from sequences import gates
from sequences.steps import excitation, first_looks, impedance, marking, ohms, rotating, sweep

_ANEW = excitation.nothing_connected
_INDEXED = sweep.at_index
_LEVEL = excitation.at_level_again
_INDEXED_LEVEL = sweep.at_index_and_level


def stator_only(ctx: Context) -> bool:
    """No rotor, or nothing that turns it."""
    return not sweep.can_turn(ctx)


ROTOR = Step(name="rotor", title="Rotor identity", do=first_looks.rotor)
MANUAL = Step(name="manual", title="Readings from elsewhere", do=first_looks.manual)
CLIMATE_BEFORE = Step(
    name="climate_before",
    title="Air at the part",
    do=first_looks.climate_before,
    when=first_looks.has_climate,
    restore=_ANEW,
)
CLIMATE_AFTER = Step(
    name="climate_after",
    title="Air at the part, after",
    do=first_looks.climate_after,
    when=first_looks.has_climate,
    restore=_ANEW,
)
LIVE_VOLTAGE = Step(
    name="live_voltage", title="Is any pin live?", do=first_looks.live_voltage, gate=gates.wiring, restore=_ANEW
)
LEAD_ZERO = Step(name="lead_zero", title="Lead resistance", do=ohms.lead_zero, when=ohms.has_lead_short, restore=_ANEW)
CHECK_RESISTOR = Step(
    name="check_resistor", title="Check resistor", do=ohms.check_resistor, when=ohms.has_check_resistor, restore=_ANEW
)
PIN_MAP = Step(name="pin_map", title="Pin map", do=ohms.pin_map, gate=gates.wiring, restore=_ANEW)
SHORT_PIN_MAP = Step(
    name="pin_map", title="Pin map, main pairs", do=ohms.short_pin_map, gate=gates.wiring, restore=_ANEW
)
COILS = Step(
    name="coil_resistance", title="Coil resistances", do=ohms.coil_resistance, gate=gates.wiring, restore=_ANEW
)
COILS_ONCE = Step(
    name="coil_resistance", title="Coil resistances", do=ohms.coil_resistance_once, gate=gates.wiring, restore=_ANEW
)
THERMISTOR = Step(name="thermistor", title="Thermistor", do=ohms.thermistor, when=ohms.has_thermistor, restore=_ANEW)
LEAK = Step(name="leak", title="Low-voltage leak check", do=ohms.leak, gate=gates.may_be_driven, restore=_ANEW)
LOOPBACK = Step(
    name="loopback", title="Sampler loopback", do=excitation.loopback, when=excitation.loopback_due, restore=_ANEW
)
LOOPBACK_ALWAYS = Step(
    name="loopback", title="Sampler loopback", do=excitation.loopback, when=excitation.has_loopback, restore=_ANEW
)
RATIO_STANDARD = Step(
    name="ratio_standard",
    title="Ratio standard",
    do=excitation.ratio_standard,
    when=excitation.has_ratio_standard,
    restore=_ANEW,
)
BACKGROUND = Step(name="background", title="Background, excitation off", do=excitation.background, restore=_ANEW)
EXCITE = Step(name="excite", title="Excitation, ramp up", do=excitation.excite, gate=gates.excitation, restore=_ANEW)
INDEX = Step(name="index", title="Index", do=sweep.index_first, when=sweep.can_turn, limit_s=60.0, restore=_LEVEL)
INDEX_BETWEEN = Step(
    name="index_between",
    title="Index between the passes",
    do=sweep.index_between,
    when=sweep.can_turn,
    limit_s=60.0,
    restore=_LEVEL,
)
INDEX_AGAIN = Step(
    name="index_again", title="Index again", do=sweep.index_again, when=sweep.can_turn, limit_s=60.0, restore=_LEVEL
)
SWEEP_CCW = Step(
    name="sweep_ccw", title="Sweep, counter-clockwise", do=sweep.sweep_ccw, when=sweep.can_turn, restore=_INDEXED_LEVEL
)
SWEEP_CW = Step(
    name="sweep_cw", title="Sweep, clockwise", do=sweep.sweep_cw, when=sweep.can_turn, restore=_INDEXED_LEVEL
)
SWEEP_CCW_AGAIN = Step(
    name="sweep_ccw_again",
    title="Sweep again, counter-clockwise",
    do=sweep.sweep_ccw_again,
    when=gates.first_passes_slipped,
    restore=_INDEXED_LEVEL,
)
SWEEP_CW_AGAIN = Step(
    name="sweep_cw_again",
    title="Sweep again, clockwise",
    do=sweep.sweep_cw_again,
    when=gates.first_passes_slipped,
    restore=_INDEXED_LEVEL,
)
INDEX_BETWEEN_REPEATS = replace(INDEX_BETWEEN, name="index_between_repeats", when=gates.first_passes_slipped)
INDEX_AFTER_REPEATS = replace(INDEX_AGAIN, name="index_after_repeats", when=gates.first_passes_slipped)
ROTOR_MARK = Step(
    name="rotor_mark",
    title="Mark across rotor and spindle",
    do=marking.rotor_mark,
    when=gates.mark_is_asked,
    limit_s=600.0,
)
SPOTS = Step(
    name="spots",
    title="Eight spots of one electrical cycle",
    do=sweep.spots,
    when=sweep.can_turn,
    restore=_INDEXED_LEVEL,
)
RAMP_DOWN = Step(name="ramp_down", title="Excitation, ramp down", do=excitation.ramp_down, restore=_LEVEL)
BACKGROUND_TURNING = Step(
    name="background_turning",
    title="Background, rotor turning, excitation off",
    do=rotating.background_turning,
    when=sweep.can_turn,
    restore=_INDEXED,
)
IMPEDANCE_SIN = Step(name="impedance_sin", title="Impedance, sine coil", do=impedance.impedance_sin, restore=_INDEXED)
IMPEDANCE_COS = Step(name="impedance_cos", title="Impedance, cosine coil", do=impedance.impedance_cos, restore=_INDEXED)
IMPEDANCE_EXC = Step(
    name="impedance_exc",
    title="Impedance, excitation coil",
    do=impedance.impedance_exc,
    when=stator_only,
    restore=_INDEXED,
)

TURN = (
    SWEEP_CCW,
    INDEX_BETWEEN,
    SWEEP_CW,
    INDEX_AGAIN,
    SWEEP_CCW_AGAIN,
    INDEX_BETWEEN_REPEATS,
    SWEEP_CW_AGAIN,
    INDEX_AFTER_REPEATS,
)
"""Both passes at rest, and once more where they don't close; the index is sought after each."""

SHORT_OPENING = (
    MANUAL,
    CLIMATE_BEFORE,
    LIVE_VOLTAGE,
    LEAD_ZERO,
    SHORT_PIN_MAP,
    COILS_ONCE,
    THERMISTOR,
    LEAK,
    LOOPBACK,
    BACKGROUND,
)
"""All that comes before excitation where the pins were mapped before: the short map, each coil once."""
