"""Stand-ins for the files that a recording comes without: a bench, a part and a holder that state nothing.

A stand-in bench has neither errors nor uncertainties: what it does not state is among the recording's absent witnesses
(rig/observed.py), and evaluation marks every line that rests on them. Positions are counted in steps as a bench's are,
of an axis so fine that a ten-thousandth of a degree is a whole step.
"""

from __future__ import annotations

from rig.description.benches import AxisDevice, BenchFile, SamplerDevice
from rig.description.holders import Holder
from rig.resolver.part import TERMINALS, Excitation, Part

STEPS_PER_TURN = 3_600_000
FULL_STEPS = 200
NAME = "elsewhere"
NOTHING = "none"
DATUM = "position 0 of the recording"
_SILENT = ("gain", "crosstalk", "frequency", "noise")


def placeholder_sampler() -> SamplerDevice:
    """A recorder of which nothing is known: volts as the file gives them, no error stated."""
    return SamplerDevice.model_validate(
        {
            "driver": NOTHING,
            "exc_divider": 1.0,
            "exc_divider_u": 0.0,
            "shunt_ohm": 1.0,
            "shunt_u": 0.0,
            "input_ohm": 1e15,
            "input_pf": 0.0,
            "input_pf_u": 0.0,
            "spec": [{"quantity": quantity} for quantity in _SILENT],
        }
    )


def placeholder_axis() -> AxisDevice:
    """A positioner of which nothing is known."""
    return AxisDevice.model_validate(
        {
            "driver": NOTHING,
            "full_steps": FULL_STEPS,
            "microsteps": STEPS_PER_TURN // FULL_STEPS,
            "cyclic_arcmin": 0.0,
            "once_arcmin": 0.0,
            "twice_arcmin": 0.0,
            "backlash_arcmin": 0.0,
            "index_repeat_arcmin": 0.0,
        }
    )


def bench_of_recording(bench: BenchFile | None) -> BenchFile:
    """The bench file that a recording is judged with: the sampler and axis sections of `bench`, or stand-ins.

    The file's volts are those at the coil and its current is in amperes, whatever divider and shunt were in use; what
    the bench file states of them stays. The axis counts fine steps, its orders and errors stay.
    """
    sampler, axis = placeholder_sampler(), placeholder_axis()
    if bench is not None:
        sampler = bench.sampler.model_copy(update={"exc_divider": 1.0, "shunt_ohm": 1.0})
        if bench.axis is not None:
            axis = bench.axis.model_copy(update={"microsteps": STEPS_PER_TURN // bench.axis.full_steps})
    base = {
        "schema": "anglewright bench 1",
        "name": NAME if bench is None else bench.name,
        **{role: {"driver": NOTHING} for role in ("multimeter", "generator", "sampler", "switch", "interlock")},
    }
    return BenchFile.model_validate(base).model_copy(update={"sampler": sampler, "axis": axis})


def unknown_part(pole_pairs: int | None = None, frequency_hz: float | None = None) -> Part:
    """A part without a label. Zero stands for what nobody said: pole pairs, level (V rms), frequency (Hz)."""
    excitation = Excitation(level_v_rms=0.0, frequency_hz=frequency_hz or 0.0, ceiling_v_rms=0.0, ceiling_a_rms=0.0)
    return Part(
        number="",
        revision="-",
        title="a part without a label",
        pole_pairs=pole_pairs or 0,
        positive_rotation="the sense in which the file's positions rise",
        pins={terminal: terminal for terminal in TERMINALS[:6]},
        excitation=excitation,
    )


def no_holder() -> Holder:
    """Nothing is known of what held the part."""
    return Holder.model_validate({"schema": "anglewright holder 1", "name": NAME, "channels": {}, "datum": DATUM})
