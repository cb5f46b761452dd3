"""Check resistor, loopback and ratio standard once more as the bench stands: with the lead zero of the take before.

A night runs it between looks, after a take that was outside; by hand it is a take like `check_standard`.
"""

from rig.control.sequencer import StepSequence
from rig.description.traits import Traits
from sequences import blocks as b

SEQUENCE = StepSequence(
    name="retake_standard",
    needs=frozenset({"relays", "four channels at once"}),
    title="Check standards, as the bench stands",
    traits=Traits(question="standards", minutes=1.0),
    steps=(b.CLIMATE_BEFORE, b.CHECK_RESISTOR, b.LOOPBACK_ALWAYS, b.RATIO_STANDARD, b.CLIMATE_AFTER),
)
