"""The whole test of a removed resolver, the next version: turned on the fly where the step pulses reach the sampler.

The same lines as version 4 in under a minute of bench time: each coil read once in both polarities, two turns each way
at constant speed instead of two stepped sweeps, then the nulls and the places between at rest (harmonics, play, the
coil's current). It stands beside version 4 until it is validated against it on the shop's own bench: clamp once, run
`full_test` and `full_test_next`, then `anglewright bench validate`. Where no step pulses are wired it turns in steps.
"""

from dataclasses import replace

from rig.control.sequencer import Step, StepSequence
from sequences import blocks as b
from sequences import continuous_sweep as fly
from sequences import full_test
from sequences.steps import continuous, nulls, ohms, sweep

_MOVING = continuous.can_turn_on_the_fly

NULLS = tuple(
    Step(
        name=f"nulls_{direction}",
        title=f"Nulls at rest, {words}",
        do=do,
        when=_MOVING,
        restore=sweep.at_index_and_level,
    )
    for direction, words, do in (
        ("ccw", "counter-clockwise", nulls.nulls_ccw),
        ("cw", "clockwise", nulls.nulls_cw),
    )
)
AGAIN = (b.INDEX_AGAIN, fly.TURN_CCW_AGAIN, fly.TURN_CW_AGAIN, b.INDEX_AFTER_REPEATS)

TURN = (
    replace(fly.EXCITE, when=_MOVING),
    replace(b.EXCITE, when=continuous.turns_in_steps),
    b.INDEX,
    replace(fly.TURN_CCW, when=_MOVING),
    replace(fly.TURN_CW, when=_MOVING),
    *(replace(step, when=continuous.in_steps(step.when)) for step in b.TURN),
    *(replace(step, when=continuous.on_the_fly(step.when)) for step in AGAIN),
    *NULLS,
)
ONCE = {
    b.COILS: b.COILS_ONCE,
    b.CHECK_RESISTOR: replace(b.CHECK_RESISTOR, do=ohms.check_resistor_once),
    b.THERMISTOR: replace(b.THERMISTOR, do=ohms.thermistor_once),
}


def _next_steps() -> tuple[Step, ...]:
    """Version 4's steps with each resistance once, and the turn in place of excitation, index and both sweeps."""
    found: list[Step] = []
    for step in full_test.SEQUENCE.steps:
        if step is b.EXCITE:
            found += TURN
        elif step in ONCE:
            found.append(ONCE[step])
        elif step is not b.INDEX and step not in b.TURN:
            found.append(step)
    return tuple(found)


SEQUENCE: StepSequence = replace(
    full_test.SEQUENCE,
    version="5",
    title="Full test, next version",
    traits=replace(full_test.SEQUENCE.traits, minutes=1.0),
    steps=_next_steps(),
)
