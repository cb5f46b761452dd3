"""Only the index: bring the axis to a known position, before clamping or after a stop."""

from rig.control.sequencer import Sequence
from rig.description.traits import Traits
from sequences import building_blocks as b

SEQUENCE = Sequence(
    name="index",
    title="Index the axis",
    traits=Traits(question="index", minutes=0.2),
    needs=frozenset({"axis"}),
    steps=(b.INDEX,),
)
