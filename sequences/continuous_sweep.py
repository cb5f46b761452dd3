"""The angle on the fly: DC checks, loopback, then two turns each way at constant speed, recorded with the step pulses.

Gives what a full test gives of ratio, nulls of the fundamental and angle in seconds instead of minutes; hysteresis and
harmonics at the nulls need the rotor at rest and are said to be not measured.
"""

from rig.control.sequencer import Step, StepSequence
from rig.description.traits import Traits
from sequences import blocks as b
from sequences import gates
from sequences.steps import continuous, excitation, impedance, sweep

_ANEW = excitation.nothing_connected
_LEVEL = sweep.at_index_and_level

PULSES = Step(name="pulses", title="Step pulses at the sampler", do=continuous.pulses_at_sampler)
EXCITE = Step(name="excite", title="Excitation, ramp up", do=continuous.excite, gate=gates.excitation, restore=_ANEW)
TURN_CCW = Step(
    name="turn_ccw", title="Turning, counter-clockwise", do=continuous.turn_ccw, when=sweep.can_turn, restore=_LEVEL
)
TURN_CW = Step(name="turn_cw", title="Turning, clockwise", do=continuous.turn_cw, when=sweep.can_turn, restore=_LEVEL)
TURN_CCW_AGAIN = Step(
    name="turn_ccw_again",
    title="Turning again, counter-clockwise",
    do=continuous.turn_ccw_again,
    when=gates.first_passes_slipped,
    restore=_LEVEL,
)
TURN_CW_AGAIN = Step(
    name="turn_cw_again",
    title="Turning again, clockwise",
    do=continuous.turn_cw_again,
    when=gates.first_passes_slipped,
    restore=_LEVEL,
)
IMPEDANCE_EXC = Step(
    name="impedance_exc", title="Impedance, excitation coil", do=impedance.impedance_exc, restore=sweep.at_index
)

SEQUENCE = StepSequence(
    name="continuous_sweep",
    needs=frozenset({"axis", "climate", "relays", "four channels at once", "step pulses"}),
    title="Continuous sweep",
    traits=Traits(whole_turns=2, minutes=2.0),
    version="2",
    steps=(
        b.ROTOR,
        PULSES,
        *b.SHORT_OPENING,
        EXCITE,
        b.INDEX,
        TURN_CCW,
        TURN_CW,
        b.INDEX_AGAIN,
        TURN_CCW_AGAIN,
        TURN_CW_AGAIN,
        b.INDEX_AFTER_REPEATS,
        b.RAMP_DOWN,
        b.ROTOR_MARK,
        b.IMPEDANCE_SIN,
        b.IMPEDANCE_COS,
        IMPEDANCE_EXC,
        b.CLIMATE_AFTER,
    ),
)
