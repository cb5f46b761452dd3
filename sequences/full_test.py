"""The whole test of a removed resolver: DC first, then driven, then turned both ways. About five bench minutes.

Order as customary in the trade: identity, live voltage, pins, resistances and leaks before anything is driven.
Without a rotor the turned steps are left out and the stator's own figures remain.
"""

from rig.control.sequencer import StepSequence
from rig.description.traits import Traits
from sequences import blocks as b

SEQUENCE = StepSequence(
    name="full_test",
    needs=frozenset({"axis", "climate", "relays", "four channels at once"}),
    title="Full test",
    traits=Traits(certified=True, whole_turns=1, minutes=5.0),
    version="4",
    steps=(
        b.ROTOR,
        b.MANUAL,
        b.CLIMATE_BEFORE,
        b.LIVE_VOLTAGE,
        b.LEAD_ZERO,
        b.CHECK_RESISTOR,
        b.PIN_MAP,
        b.COILS,
        b.THERMISTOR,
        b.LEAK,
        b.LOOPBACK,
        b.BACKGROUND,
        b.EXCITE,
        b.INDEX,
        *b.TURN,
        b.RAMP_DOWN,
        b.ROTOR_MARK,
        b.BACKGROUND_TURNING,
        b.IMPEDANCE_EXC,
        b.IMPEDANCE_SIN,
        b.IMPEDANCE_COS,
        b.CLIMATE_AFTER,
    ),
)
