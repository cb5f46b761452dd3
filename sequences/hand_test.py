"""The whole test by a person: a meter's two leads, a two-channel sampler's two cables, the rotor turned by hand.

For the shop that owns a meter, a generator and a two-channel oscilloscope. Resistances, leaks, thermistor, impedance of
the excitation coil, ratios, imbalance, orthogonality, centres, phases, fundamental nulls; never an angle error, since
nobody knows where the rotor stood.
"""

from rig.control.sequencer import Step, StepSequence
from rig.description.traits import Traits
from sequences import blocks as b
from sequences import gates
from sequences.steps import hand_driven, hand_ohms

OHMS = Step(
    name="hand_ohms",
    title="Two leads over the pins",
    do=hand_ohms.walk_of_ohms,
    gate=gates.may_be_driven,
    limit_s=900.0,
)
TWO_CHANNELS = Step(
    name="two_channels", title="Both channels on one signal", do=hand_driven.compare_channels, limit_s=900.0
)
EXCITE = Step(name="excite", title="Excitation, ramp up", do=hand_driven.excite, gate=gates.excitation, limit_s=900.0)
TURN = Step(name="hand_turned", title="Turn the rotor by hand", do=hand_driven.turn_outputs, limit_s=900.0)

SEQUENCE = StepSequence(
    name="hand_test",
    needs=frozenset({"hands", "two channels at once"}),
    title="Test by hand",
    traits=Traits(certified=True, needs_rotor=True, minutes=12.0),
    steps=(b.ROTOR, b.MANUAL, b.CLIMATE_BEFORE, OHMS, TWO_CHANNELS, EXCITE, TURN, b.CLIMATE_AFTER),
)
