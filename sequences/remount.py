"""One clamping of a remount: index, loopback, excitation, both sweeps. Nothing about the part is judged.

The guided set (`anglewright run remount`) runs it once a clamping, with the bench safe and closed in between,
while hands are in the fixture; the offset asked for stands in the run as the manual entry "clamping offset".
"""

from dataclasses import replace

from rig.control.sequencer import StepSequence
from rig.description.traits import Traits
from sequences import blocks as b
from sequences import gates

PAIRS = replace(b.SHORT_PIN_MAP, gate=gates.may_be_driven)  # the last DC step here

SEQUENCE = StepSequence(
    name="remount",
    needs=frozenset({"axis", "climate", "relays", "four channels at once"}),
    title="One clamping of a remount",
    traits=Traits(question="clamping", whole_turns=1, needs_rotor=True, minutes=4.0),
    version="3",
    steps=(
        b.ROTOR,
        b.MANUAL,
        b.CLIMATE_BEFORE,
        b.LIVE_VOLTAGE,
        b.LEAD_ZERO,
        PAIRS,
        b.LOOPBACK,
        b.BACKGROUND,
        b.EXCITE,
        b.INDEX,
        *b.TURN,
        b.RAMP_DOWN,
        b.CLIMATE_AFTER,
    ),
)
