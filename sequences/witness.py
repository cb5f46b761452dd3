"""A witness on the same adapter: something known in place of the part, or the part on exchanged inputs.

Nothing about the part is judged here. One sequence a witness, all called `witness`; rig/soundness/witness.py says which
one settles what, and `anglewright run witness` runs it. None takes a new loopback: the rig is looked at as it measured.
"""

from collections.abc import Mapping

from rig.control.sequencer import Step, StepSequence
from rig.description.traits import Traits
from sequences import blocks as b
from sequences.steps import excitation, ohms, sweep, witnessing

_ANEW = excitation.nothing_connected

PLUGGED_PAIRS = Step(name="pairs", title="Main pairs at the adapter", do=ohms.short_pin_map, restore=_ANEW)
PLUGGED_COILS = Step(name="coils", title="Four-wire at the adapter", do=ohms.coil_resistance_once, restore=_ANEW)
OPEN_LEAK = Step(name="leak", title="Leaks of the adapter itself", do=ohms.leak, restore=_ANEW)
DUMMY = Step(name="dummy", title="Dummy part, eight angles", do=witnessing.dummy, limit_s=60.0, restore=_ANEW)
STRAIGHT = Step(name="straight", title="Outputs on their own inputs", do=witnessing.straight, restore=sweep.at_index)
CROSSED = Step(name="crossed", title="Outputs exchanged", do=witnessing.cross_outputs, restore=sweep.at_index)


def _sequence(title: str, *steps: Step) -> StepSequence:
    return StepSequence(
        name="witness",
        title=title,
        traits=Traits(question="witness", minutes=0.5),
        steps=(b.CLIMATE_BEFORE, b.LIVE_VOLTAGE, *steps),
    )


SEQUENCES: Mapping[str, StepSequence] = {
    "plug": _sequence("Witness: shorting plug", b.LEAD_ZERO, PLUGGED_PAIRS, PLUGGED_COILS, b.THERMISTOR),
    "open": _sequence("Witness: adapter left open", PLUGGED_PAIRS, PLUGGED_COILS, b.THERMISTOR, OPEN_LEAK),
    "dummy": _sequence("Witness: dummy part", b.LEAD_ZERO, DUMMY),
    "swap": _sequence(
        "Witness: outputs exchanged",
        b.ROTOR,
        b.LEAD_ZERO,
        b.SHORT_PIN_MAP,
        b.COILS_ONCE,
        b.LEAK,
        b.INDEX,
        STRAIGHT,
        CROSSED,
    ),
}
