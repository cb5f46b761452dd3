"""Only the index: bring the axis to a known position, before clamping or after a stop."""

from rig.control.sequencer import StepSequence
from rig.description.traits import Traits
from sequences import blocks as b

SEQUENCE = StepSequence(
    name="index",
    title="Index the axis",
    traits=Traits(question="index", minutes=0.2),
    needs=frozenset({"axis"}),
    steps=(b.INDEX,),
)
