"""What is done to an instrument whose dialogue is recorded: harmless verbs only, the same in recording and in replay.

No output is switched on, nothing turns, no relay closes. A meter's test current flows in its own leads only, which is
why the leads have to be off the part. What a verb returns is checked as far as it can be known beforehand.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from rig.errors import BadReply

LEVEL_V_RMS = 0.5
FREQUENCY_HZ = 7000.0
RATE_HZ = 100e3
SAMPLES = 100
RANGE_OHM = 100.0
INPUTS = ("exc_v", "exc_i", "sin", "cos")
Verb = Callable[[Any], object]


def _two_wire_ohm(meter: Any) -> None:
    meter.resistance_ohm(four_wire=False, range_ohm=RANGE_OHM, nplc=1.0)


def _four_wire_ohm(meter: Any) -> None:
    """Twice: the second reading keeps the configuration. With offset compensation where the meter has it."""
    if not meter.abilities.four_wire:
        return
    compensated = meter.abilities.compensates(RANGE_OHM, four_wire=True)
    for _ in range(2):
        meter.resistance_ohm(four_wire=True, range_ohm=RANGE_OHM, nplc=1.0, offset_compensation=compensated)


def _dc_volts(meter: Any) -> None:
    meter.dc_volts(range_v=10.0, nplc=1.0)


def _ac_volts(meter: Any) -> None:
    meter.ac_volts_rms(range_v=10.0)


def _output_off(generator: Any) -> None:
    """First of all, as on every bench: whatever it was doing, its output is off."""
    generator.output(False)


def _prepare(generator: Any) -> None:
    generator.prepare_sine(frequency_hz=FREQUENCY_HZ, level_v_rms=LEVEL_V_RMS)
    _require(not generator.output_is_on(), "its output is on after it was prepared with the output off", generator)


def _settings(generator: Any) -> None:
    """A new level and frequency, as a ramp and a sweep set them; the output stays off."""
    generator.level_v_rms(0.8 * LEVEL_V_RMS)
    generator.frequency_hz(0.9 * FREQUENCY_HZ)
    _require(not generator.output_is_on(), "its output is on after its level and frequency were set", generator)


def _capture(sampler: Any) -> None:
    abilities = sampler.abilities
    channels = INPUTS[: abilities.channels]
    sampler.configure(
        ranges_v=(max(abilities.ranges_v),) * len(channels),
        sample_rate_hz=min(RATE_HZ, abilities.max_rate_hz),
        samples=SAMPLES,
        channels=channels,
    )
    sampler.arm()
    sampler.trigger()
    sampler.wait_captured()
    shape = sampler.fetch().codes.shape
    _require(shape == (len(channels), SAMPLES), f"a capture has the shape {shape}", sampler)


def _relays(switch: Any) -> None:
    """Only opened, as every run ends; what is said to be closed is none."""
    switch.open_all()
    _require(switch.closed_channels() == (), "a relay stayed closed", switch)


def _position(axis: Any) -> None:
    axis.position_steps()


def _angle(encoder: Any) -> None:
    encoder.angle_mech_deg()


def _inputs(interlock: Any) -> None:
    for _ in range(3):
        interlock.state()


def _air(climate: Any) -> None:
    climate.read()


def _require(holds: bool, what: str, instrument: Any) -> None:
    if not holds:
        raise BadReply(what, instrument=instrument.name)


VERBS: Mapping[str, tuple[tuple[str, Verb], ...]] = {
    "multimeter": (
        ("two-wire ohms", _two_wire_ohm),
        ("four-wire ohms", _four_wire_ohm),
        ("direct volts", _dc_volts),
        ("alternating volts", _ac_volts),
    ),
    "generator": (
        ("output off", _output_off),
        ("a sine with the output off", _prepare),
        ("level and frequency with the output off", _settings),
    ),
    "sampler": (("one capture", _capture),),
    "switch": (("all relays open", _relays),),
    "axis": (("position", _position),),
    "encoder": (("angle", _angle),),
    "interlock": (("inputs", _inputs),),
    "climate": (("air", _air),),
}
NOT_DONE: Mapping[str, str] = {
    "multimeter": "that its readings are right",
    "generator": "its output on, and that its level is right",
    "sampler": "that its volts are right",
    "switch": "closing a relay",
    "axis": "any motion and the search for the index",
    "encoder": "that its angle is right",
    "interlock": "which level of an input means closed or pressed",
    "climate": "that its readings are right",
}
"""Role -> what a recorded dialogue does not prove."""
