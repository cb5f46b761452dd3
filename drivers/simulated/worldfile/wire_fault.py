"""One row of a world's [[faults_of_wire]]: what goes wrong, on which instrument, on which command.

The wires act on a row (wires/faults.py spoils messages and replies); instruments and axis act on the kinds that they
do by themselves.
"""

from __future__ import annotations

from typing import Literal, get_args

from pydantic import Field, model_validator

from rig.description.loading import Strict

Kind = Literal[
    # the reply
    "delay",  # it comes `value` s of bench time later
    "late",  # it comes `value` s of wall time later (past a link's deadline)
    "quantise",  # it comes `value` s of wall time later (default 0.016: a USB adapter's latency timer)
    "drop",  # it does not come
    "duplicate",  # it comes twice
    "truncate",  # only its first `value` bytes (default half), no terminator
    "segments",  # in one-byte segments, `value` s of wall time apart (default 0.002)
    "terminator",  # it ends in `value` instead of its own terminator
    "extra",  # `value` is added after it
    "decimal_comma",  # 1.5 becomes 1,5
    "overload",  # it is `value` (default +9.9E+37)
    "text",  # it is `value` (default NAN), whatever the query was
    "wrong_idn",  # it is another instrument's identification, `value` or a made-up one
    "garble",  # one byte of it is replaced
    "drop_chars",  # `value` of its characters (default 1) are lost
    "stuck",  # it is what the same question was answered the first time
    "stale",  # it is the reply to the command before
    "checksum",  # its last byte is wrong
    "block_short",  # the header of a block promises `value` bytes less (default 10)
    "block_long",  # the header of a block promises `value` bytes more (default 10)
    "page_short",  # a block holds half of the requested bytes, with a right header
    # the command
    "swallow",  # it is not executed and not answered
    "ignored",  # a setting is acknowledged and not executed
    "output_off_ignored",  # OUTP OFF does nothing
    "foreign",  # somebody else sends `value` just before it
    "chatter",  # `value` (default OK) is sent unasked
    "error_storm",  # `value` entries (default 30) appear in the error queue
    "hasty",  # a command that follows the one before within `value` s of wall time (default 0.02) hangs it for ever
    "mute",  # no reply from here on, for `value` s of bench time (default for ever)
    # the connection
    "reset",  # it is reset (TCP RST)
    "close",  # it is closed (TCP FIN)
    "silent_drop",  # it stays, but nothing passes any more
    "refuse",  # it is reset, and refused for `value` s of wall time (default 0.5)
    "slow_open",  # it is reset, and the next one is served `value` s late
    "accept_mute",  # it is reset, and what the next one says within `value` s is lost
    "replug",  # a serial port vanishes and comes back `value` s later under a new name, with the same link to it
    "reset_on_open",  # opening the serial port resets the board
    # the axis
    "alarm",  # grbl: ALARM:`value` (default 1) in place of the reply, and silence after 1 and 2
    "lost_steps",  # `value` full steps (default 4) are lost, silently
    "missed_index",  # the index mark is not seen
    "door",  # the controller's door input opens: held until resumed
    "estop",  # its reset input is touched: position wrong, no alarm
    "eeprom",  # the `value` characters (default 35) that follow a $n= are lost
    "status",  # TMCL: the reply's status is `value` (default 4)
    # the sampler
    "gap",  # `value` samples (default 7) are missing in mid-record
    "overflow",  # the record's buffer has overflowed, and it says so
    "channel_swap",  # sine and cosine are exchanged
    "skew_step",  # cosine is `value` samples later (default 1)
    "gain_step",  # sine is `value` times itself (default 0.5)
    "clip",  # codes beyond `value` of full scale (default 0.25) are cut
]
KINDS: tuple[str, ...] = get_args(Kind)
INSTRUMENTS = ("multimeter", "generator", "sampler", "axis", "encoder", "switch", "interlock", "climate")
TEXTUAL = ("overload", "text", "extra", "terminator", "foreign", "chatter", "wrong_idn")  # their value is text


class WireFault(Strict):
    """One fault. Without nth, every, at_s and probability it acts on every command.

    nth: on that command of the instrument, counted from 1. every: on each such multiple. at_s: once, on the first
    command at or after that bench time. probability: at random, from the world's seed. match: only commands that
    contain this text are counted.
    """

    instrument: str
    kind: Kind
    nth: int | None = Field(default=None, ge=1)
    every: int | None = Field(default=None, ge=1)
    at_s: float | None = None
    probability: float | None = Field(default=None, ge=0.0, le=1.0)
    match: str = ""
    value: float | str | None = None

    @model_validator(mode="after")
    def _instrument_exists(self) -> WireFault:
        if self.instrument not in INSTRUMENTS:
            raise ValueError(f"instrument must be one of {', '.join(INSTRUMENTS)}, not {self.instrument!r}")
        return self

    def number(self, default: float) -> float:
        """The value as a number; the default where it is absent or text."""
        return default if self.value is None or isinstance(self.value, str) else self.value


def parse_fault(text: str) -> WireFault:
    """A fault as it is given on the command line: `axis:drop:every=50:value=2`. Raises ValueError.

    `value` comes last and may itself hold colons.
    """
    head, has_value, value = text.partition(":value=")
    instrument, kind, *more = head.split(":") if ":" in head else (head, "")
    keys: dict[str, object] = dict(part.partition("=")[::2] for part in more)
    for key in ("nth", "every"):
        if key in keys:
            keys[key] = int(str(keys[key]))
    for key in ("at_s", "probability"):
        if key in keys:
            keys[key] = float(str(keys[key]))
    if has_value:
        keys["value"] = float(value) if _is_number(value) and kind not in TEXTUAL else value
    return WireFault.model_validate({"instrument": instrument, "kind": kind, **keys})


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
