"""Two to three bench minutes: is a full test worth it? Main pairs, resistances, leaks, eight spots of one cycle.

It gives the same measurands as the full test, coarsely, and never a certificate's worth of angle error.
"""

from rig.control.sequencer import StepSequence
from rig.description.traits import Traits
from sequences import blocks as b

SEQUENCE = StepSequence(
    name="quick_screen",
    needs=frozenset({"axis", "climate", "relays", "four channels at once"}),
    title="Quick screen",
    traits=Traits(minutes=2.5),
    steps=(
        b.ROTOR,
        *b.SHORT_OPENING,
        b.EXCITE,
        b.INDEX,
        b.SPOTS,
        b.RAMP_DOWN,
        b.IMPEDANCE_EXC,
        b.CLIMATE_AFTER,
    ),
)
