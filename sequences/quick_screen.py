"""Two to three bench minutes: is a full test worth it? Main pairs, resistances, leaks, eight spots of one cycle.

It gives the same measurands as the full test, coarsely, and never a certificate's worth of angle error.
"""

from rig.control.sequencer import Sequence
from sequences import building_blocks as b

SEQUENCE = Sequence(
    name="quick_screen",
    title="Quick screen",
    steps=(
        b.ROTOR,
        b.MANUAL,
        b.CLIMATE_BEFORE,
        b.LIVE_VOLTAGE,
        b.LEAD_ZERO,
        b.SHORT_PIN_MAP,
        b.COILS_ONCE,
        b.THERMISTOR,
        b.LEAK,
        b.LOOPBACK,
        b.BACKGROUND,
        b.EXCITE,
        b.INDEX,
        b.SPOTS,
        b.RAMP_DOWN,
        b.IMPEDANCE_EXC,
        b.CLIMATE_AFTER,
    ),
)
