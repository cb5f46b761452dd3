"""One coil, or all in turn, watched while hands bend, tap, warm or cool it: by ohms, or by amplitude when excited.

Nothing is judged. By amplitude the part first passes the DC checks like any part that is driven.
"""

from dataclasses import replace

from rig.control.sequencer import Step, StepSequence
from rig.description.traits import Traits
from sequences import blocks as b
from sequences.steps import watching


def _driven(step: Step) -> Step:
    return replace(step, when=lambda ctx: watching.by_amplitude(ctx) and step.when(ctx))


SEQUENCE = StepSequence(
    name="watch",
    title="Watch",
    traits=Traits(question="watch"),
    steps=(
        Step(name="ohms", title="Nothing energised", do=watching.enter_ohms, when=watching.by_ohms),
        b.LIVE_VOLTAGE,
        Step(name="watch", title="Watched by resistance", do=watching.resistance, when=watching.by_ohms),
        *map(_driven, (b.SHORT_PIN_MAP, b.COILS_ONCE, b.LEAK, b.EXCITE)),
        _driven(b.INDEX),
        Step(name="watch", title="Watched by amplitude", do=watching.amplitude, when=watching.by_amplitude),
        _driven(b.RAMP_DOWN),
    ),
)
