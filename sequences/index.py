"""Only the index: bring the axis to a known position, before clamping or after a stop."""

from rig.control.sequencer import Sequence
from sequences import building_blocks as b

SEQUENCE = Sequence(name="index", title="Index the axis", needs=frozenset({"axis"}), steps=(b.INDEX,))
