"""The bench against its own standards: leads, check resistor, loopback, ratio standard. No part is needed."""

from rig.control.sequencer import StepSequence
from rig.description.traits import Traits
from sequences import blocks as b

SEQUENCE = StepSequence(
    name="check_standard",
    needs=frozenset({"relays", "four channels at once"}),
    title="Check standards",
    traits=Traits(question="standards", minutes=1.0),
    steps=(b.CLIMATE_BEFORE, b.LEAD_ZERO, b.CHECK_RESISTOR, b.LOOPBACK_ALWAYS, b.RATIO_STANDARD, b.CLIMATE_AFTER),
)
