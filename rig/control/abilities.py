"""What a bench can do, by name, and what a sequence asks for that it can't: the one gate of `bench check` and `run`.

It must never know a sequence by name. A sequence names what it can't do without (`needs`); what it can do without it
adapts to. An ability is a fact about the bench file or about the instrument that answered.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from rig.control.bench import Bench
from rig.control.sequencer import StepSequence
from rig.errors import UsageError
from rig.resolver.part import Part

AXIS = "axis"
ABILITIES: Mapping[str, Callable[[Bench], bool]] = {
    AXIS: lambda bench: bench.axis is not None,
    "climate": lambda bench: bench.climate is not None,
    "relays": lambda bench: not bench.file.switch.by_hand,
    "hands": lambda bench: bench.hands is not None,
    "four channels at once": lambda bench: (
        bench.sampler.abilities.channels >= 4 and bench.sampler.abilities.simultaneous
    ),
    "two channels at once": lambda bench: (
        bench.sampler.abilities.channels >= 2 and bench.sampler.abilities.simultaneous
    ),
    "step pulses": lambda bench: bench.file.switch.step_pulses is not None,
}
"""Ability -> whether a bench has it."""
LEAST_SAMPLES = 4.0  # a period of the excitation: below it the outputs' shape is not told from noise
CODES = 4.0  # of the converter that the current's ceiling has to span


def lacking(sequence: StepSequence, bench: Bench, *, rotor: str = "own") -> list[str]:
    """Abilities that a sequence can't do without and this bench has not, by name. Without a rotor nothing is turned."""
    needs = sequence.needs - ({AXIS} if rotor == "none" else set())
    return [name for name, has in ABILITIES.items() if name in needs and not has(bench)]


def lacking_for_part(bench: Bench, part: Part) -> list[str]:
    """What keeps this bench from driving this part, each with its figures."""
    able, file, wanted = bench.sampler.abilities, bench.file, part.excitation
    found = []
    if able.max_rate_hz < LEAST_SAMPLES * wanted.frequency_hz:
        found.append(
            f"sample rate: {able.max_rate_hz:g} a second for an excitation of {wanted.frequency_hz:g} Hz; "
            f"{LEAST_SAMPLES * wanted.frequency_hz:g} are needed"
        )
    if wanted.level_v_rms > file.generator.ceiling_v_rms:
        found.append(
            f"excitation: {wanted.level_v_rms:g} V rms; the bench's ceiling is {file.generator.ceiling_v_rms:g} V"
        )
    range_v = file.sampler.current_range_v or file.sampler.range_v
    code_a = 2.0 * range_v / 2.0**able.bits / file.sampler.shunt_ohm
    if CODES * code_a > math.sqrt(2.0) * wanted.ceiling_a_rms:
        found.append(
            f"current: one code of {able.bits} bits is {1e3 * code_a:.3g} mA, too coarse for the ceiling of "
            f"{1e3 * wanted.ceiling_a_rms:g} mA rms (sampler.current_range_v gives the current a range of its own)"
        )
    return found


def require(sequence: StepSequence, bench: Bench, part: Part | None = None, *, rotor: str = "own") -> None:
    """Raise UsageError, naming what is lacking, unless this bench can run this sequence on this part."""
    found = lacking(sequence, bench, rotor=rotor)
    if found:
        raise UsageError(
            f"bench {bench.file.name} can't run {sequence.name}: it lacks {', '.join(found)}.",
            next_action="`anglewright bench check` lists what each sequence needs and which ones this bench can run.",
        )
    if part is not None and not sequence.traits.question and (found := lacking_for_part(bench, part)):
        raise UsageError(
            f"bench {bench.file.name} can't drive part {part.number}: {'; '.join(found)}.",
            next_action="Name another sampler, range or part in the bench file.",
        )
