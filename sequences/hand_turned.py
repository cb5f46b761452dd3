"""The screen of a shop without a stepper: DC checks, loopback, then the rotor turned by hand for twenty seconds.

It gives ratio, imbalance, orthogonality, centre, phases and fundamental nulls; never an angle error.
"""

from rig.control.sequencer import Step, StepSequence
from rig.description.traits import Traits
from sequences import blocks as b
from sequences.steps import by_hand

HAND_TURN = Step(
    name="hand_turned", title="Turn the rotor by hand", do=by_hand.turned, when=by_hand.has_rotor, limit_s=60.0
)

SEQUENCE = StepSequence(
    name="hand_turned",
    needs=frozenset({"relays", "four channels at once"}),
    title="Turned by hand",
    traits=Traits(minutes=2.5),
    steps=(
        b.ROTOR,
        *b.SHORT_OPENING,
        b.EXCITE,
        HAND_TURN,
        b.RAMP_DOWN,
        b.IMPEDANCE_SIN,
        b.IMPEDANCE_COS,
        b.IMPEDANCE_EXC,
        b.CLIMATE_AFTER,
    ),
)
