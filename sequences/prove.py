"""The bench proves itself: leads, check resistor, loopback, ratio standard, generator's level, axis. No part is needed.

The part file only names frequency and level. `anglewright run prove` keeps the outcome as the bench's health record.
"""

from rig.control.sequencer import Step, StepSequence
from rig.description.traits import Traits
from sequences import blocks as b
from sequences.steps import proving, sweep

SEQUENCE = StepSequence(
    name="prove",
    needs=frozenset({"relays", "four channels at once"}),
    title="Proof of the bench",
    traits=Traits(question="standards", proves_bench=True, minutes=2.0),
    steps=(
        b.CLIMATE_BEFORE,
        b.LEAD_ZERO,
        b.CHECK_RESISTOR,
        b.LOOPBACK_ALWAYS,
        b.RATIO_STANDARD,
        Step(name="index", title="Index", do=sweep.index_first, when=proving.has_axis, limit_s=60.0),
        Step(name="turn", title="One turn and back", do=proving.turn_and_back, when=proving.has_axis, limit_s=60.0),
        Step(name="index_again", title="Index again", do=sweep.index_again, when=proving.has_axis, limit_s=60.0),
        b.CLIMATE_AFTER,
    ),
)
