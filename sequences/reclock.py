"""One place of a reclock: the rotor on its mark, index, loopback, excitation, both directions. Nothing of the part is
judged.

The guided set (`anglewright run reclock`) runs it once a place, with the bench safe and closed in between, while hands
turn the rotor on the spindle; the angle asked for stands in the run as the manual entry "rotor clock angle". It turns
on the fly where the step pulses reach the sampler, and in steps elsewhere.
"""

from dataclasses import replace

from rig.control.sequencer import StepSequence
from rig.description.traits import Traits
from sequences import blocks as b
from sequences import continuous_sweep as fly
from sequences import gates
from sequences.steps import continuous

PAIRS = replace(b.SHORT_PIN_MAP, gate=gates.may_be_driven)  # the last DC step here

SEQUENCE = StepSequence(
    name="reclock",
    needs=frozenset({"axis", "climate", "relays", "four channels at once"}),
    title="One place of a reclock",
    traits=Traits(question="clamping", whole_turns=1, needs_rotor=True, minutes=1.5),
    version="1",
    steps=(
        b.ROTOR,
        b.MANUAL,
        b.CLIMATE_BEFORE,
        b.LIVE_VOLTAGE,
        b.LEAD_ZERO,
        PAIRS,
        b.LOOPBACK,
        b.BACKGROUND,
        replace(fly.EXCITE, when=continuous.can_turn_on_the_fly),
        replace(b.EXCITE, when=continuous.turns_in_steps),
        b.INDEX,
        replace(fly.TURN_CCW, when=continuous.can_turn_on_the_fly),
        replace(fly.TURN_CW, when=continuous.can_turn_on_the_fly),
        *(replace(step, when=continuous.in_steps(step.when)) for step in b.TURN[:4]),
        replace(b.INDEX_AGAIN, when=continuous.can_turn_on_the_fly),
        b.RAMP_DOWN,
        replace(fly.IMPEDANCE_EXC, when=continuous.can_turn_on_the_fly),
        b.CLIMATE_AFTER,
    ),
)
