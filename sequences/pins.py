"""Pins of an unlabelled connector: all pairs through the relay matrix, then the low-level AC test that tells the coils.

Nothing of the part file's pin map is used, so a draft will do; no step drives more than 1 V rms. The report is made by
rig/pins/search.py from the readings.
"""

from rig.control.sequencer import Step, StepSequence
from rig.description.traits import Traits
from sequences import blocks as b
from sequences import gates
from sequences.steps import excitation, pin_search, sweep

_ANEW = excitation.nothing_connected

LIVE = Step(
    name="live_voltage",
    title="Is any pin live?",
    do=pin_search.live_voltage,
    gate=gates.wiring,
    limit_s=60.0,
    restore=_ANEW,
)
PAIRS = Step(
    name="all_pairs",
    title="Every pair of pins",
    do=pin_search.all_pairs,
    gate=pin_search.may_excite,
    limit_s=60.0,
    restore=_ANEW,
)
LEAK = Step(name="leak", title="Low-voltage leak check", do=pin_search.leak, gate=pin_search.may_excite, restore=_ANEW)
LOW_LEVEL = Step(
    name="low_level",
    title="Each coil driven, low level",
    do=pin_search.low_level,
    gate=gates.excitation,
    limit_s=60.0,
    restore=sweep.at_index,
)

SEQUENCE = StepSequence(
    name="pins",
    needs=frozenset({"relays", "four channels at once"}),
    title="Pins of an unlabelled connector",
    traits=Traits(question="pins", draft_allowed=True, minutes=2.0),
    steps=(b.ROTOR, b.CLIMATE_BEFORE, LIVE, b.LEAD_ZERO, PAIRS, LEAK, b.LOOPBACK, b.INDEX, LOW_LEVEL),
)
