"""The whole test of a shop with a stepper and no relays: two leads and two plugs by a person, the turn by the axis.

Leads and plugs are outside the guard (hardware/by_hand.md). All that a full test gives but the impedances of the output
coils; the loading of the outputs is then an influence of its own.
"""

from dataclasses import replace

from rig.control.sequencer import Step, StepSequence
from rig.description.traits import Traits
from sequences import blocks as b
from sequences.hand_test import OHMS
from sequences.steps import hand_plug

LOOPBACK = Step(name="loopback", title="Loopback plug", do=hand_plug.loopback, limit_s=900.0)
PLUG = Step(name="plug", title="The part's plug", do=hand_plug.push_part, limit_s=900.0)

SEQUENCE = StepSequence(
    name="hand_sweep",
    needs=frozenset({"hands", "axis", "climate", "four channels at once"}),
    title="Full test, leads and plugs by hand",
    traits=Traits(certified=True, whole_turns=1, needs_rotor=True, minutes=12.0),
    steps=(
        b.ROTOR,
        b.MANUAL,
        b.CLIMATE_BEFORE,
        OHMS,
        LOOPBACK,
        PLUG,
        b.BACKGROUND,
        replace(b.EXCITE, restore=None),
        b.INDEX,
        *b.TURN,
        b.RAMP_DOWN,
        b.ROTOR_MARK,
        b.CLIMATE_AFTER,
    ),
)
