"""One turn of a clamped part for its seat, or spots at one place along the shaft; DC checks first, nothing judged."""

from rig.control.sequencer import Step, StepSequence
from rig.description.traits import Traits
from sequences import blocks as b

_FIRST: tuple[Step, ...] = (
    b.ROTOR,
    b.CLIMATE_BEFORE,
    b.LIVE_VOLTAGE,
    b.LEAD_ZERO,
    b.SHORT_PIN_MAP,
    b.COILS_ONCE,
    b.LEAK,
    b.LOOPBACK,
    b.EXCITE,
    b.INDEX,
)

_SEAT = Traits(question="seat", needs_rotor=True, minutes=2.0)

RADIAL = StepSequence(
    name="seat", title="Seat by the signal: one turn", traits=_SEAT, steps=(*_FIRST, b.SWEEP_CCW, b.RAMP_DOWN)
)
AXIAL = StepSequence(
    name="seat", title="Seat by the signal: one place", traits=_SEAT, steps=(*_FIRST, b.SPOTS, b.RAMP_DOWN)
)
