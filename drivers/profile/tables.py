"""The tables of a profile, one class each, with what must hold within a table.

Keys and their meaning: drivers/profile/README.md. Words and patterns are checked by words.py.
"""

from __future__ import annotations

import re
from itertools import pairwise
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from drivers.profile.words import (
    ChannelQuestion,
    ChannelWord,
    HertzWord,
    Pattern,
    Question,
    RangeWord,
    ValuePattern,
    VoltWord,
    WhoPattern,
    Word,
    same_word,
)
from rig.description.loading import Strict

End = Literal["\n", "\r", "\r\n"]
Tolerance = Annotated[float, Field(gt=0, le=0.01)]
Positive = Annotated[float, Field(gt=0, lt=1e12)]


class Who(Strict):
    """How it is asked who it is, and the whole of its answer as a pattern."""

    ask: Question
    pattern: WhoPattern


class Wire(Strict):
    """Ends of messages and answers, deadline of an answer, least pause; acknowledgement: of what asks nothing."""

    ends: End = "\n"
    answer_ends: End = "\n"
    deadline_s: Annotated[float, Field(ge=0.05, le=60)] = 3.0
    gap_s: Annotated[float, Field(ge=0, le=5)] = 0.0
    acknowledgement: Pattern | None = None


class Errors(Strict):
    """The instrument's own list of errors, read after settings; `none`: the answer when it is empty."""

    ask: Question
    none: Pattern


class Switchable(Strict):
    """A setting that must stand: the word for it, and what it reads back."""

    set: Word
    ask: Question
    pattern: Pattern


class ReadBack(Strict):
    """What is asked after a configuration: a number that was set, or an answer of a fixed shape."""

    ask: Question
    number: Literal["range", "nplc"] | None = None
    text: Pattern | None = None
    tolerance: Tolerance = 1e-4

    @model_validator(mode="after")
    def _one_of_both(self) -> Self:
        if (self.number is None) == (self.text is None):
            raise ValueError("says either number or text")
        return self


class Function(Strict):
    """One function of a meter. range_words: how each range is said, where that is no number.

    read: takes a reading and answers with it; scale: volts or ohms a count; reading_s: the longest that it takes.
    """

    ranges: Annotated[tuple[Positive, ...], Field(min_length=1)]
    range_words: tuple[Word, ...] = ()
    set: Annotated[tuple[RangeWord, ...], Field(min_length=1)]
    read_back: tuple[ReadBack, ...] = ()
    read: Question
    answer: ValuePattern | None = None
    scale: Positive = 1.0
    reading_s: Annotated[float, Field(gt=0, le=120)] = 3.0

    @model_validator(mode="after")
    def _check_order(self) -> Self:
        if any(low >= high for low, high in pairwise(self.ranges)):
            raise ValueError("ranges: are not in rising order")
        if self.range_words and len(self.range_words) != len(self.ranges):
            raise ValueError(f"range_words: {len(self.range_words)} words for {len(self.ranges)} ranges")
        if len(self.ranges) > 1 and not any("{range" in word for word in self.set):
            raise ValueError("set: no word sets {range}, and there are several")
        return self


class Overload(Strict):
    """How over range is said. There is no default: a meter whose word for it is not known gives wrong numbers."""

    tokens: tuple[Annotated[str, Field(min_length=1, max_length=20)], ...] = ()
    magnitudes: tuple[Annotated[float, Field(gt=0)], ...] = ()
    at_least: Annotated[float, Field(ge=1e6)] | None = None

    @model_validator(mode="after")
    def _says_something(self) -> Self:
        if not self.tokens and not self.magnitudes and self.at_least is None:
            raise ValueError("says nothing: give tokens, magnitudes or at_least")
        return self


class Compensation(Strict):
    """Offset compensation of ohms, where the meter has it."""

    on: Word
    off: Word
    ask: Question
    is_on: Pattern


class Meter(Strict):
    """A multimeter. nplc: integration times that it has, in power-line cycles, rising."""

    nplc: tuple[Annotated[float, Field(gt=0, le=1000)], ...] = ()
    two_wire: Function | None = None
    four_wire: Function | None = None
    dc_volts: Function | None = None
    ac_volts: Function | None = None
    overload: Overload
    offset_compensation: Compensation | None = None
    first: tuple[Word, ...] = ()

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if self.two_wire is None and self.four_wire is None:
            raise ValueError("two_wire: is missing; a multimeter here measures ohms")
        if any(low >= high for low, high in pairwise(self.nplc)):
            raise ValueError("nplc: is not in rising order")
        for name in ("two_wire", "four_wire", "dc_volts", "ac_volts"):
            function = getattr(self, name)
            if function is not None and not self.nplc and any("{nplc" in word for word in function.set):
                raise ValueError(f"{name}.set: says {{nplc}}, and no nplc are listed")
        return self


class Output(Strict):
    """The output: the only words that may switch it, and how it says what it is."""

    on: Word
    off: Word
    ask: Question
    is_on: Pattern
    is_off: Pattern

    @model_validator(mode="after")
    def _apart(self) -> Self:
        _two_answers(self.is_on, self.is_off, "is_on", "is_off")
        if same_word(self.on, self.off):
            raise ValueError("off: is the word that switches on")
        return self


class Load(Strict):
    """The load that levels are told for: set and read back, or declared where the generator has no word for it."""

    set: Word | None = None
    ask: Question | None = None
    pattern: Pattern | None = None
    declared: Literal["open", "50 ohm source, levels into an open circuit", "levels into 50 ohm"] | None = None

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        words = (self.set, self.ask, self.pattern)
        if (None in words and any(words)) or (self.declared is None) == (None in words):
            raise ValueError("says set, ask and pattern, or declared")
        return self


class Level(Strict):
    """unit: of the number that is said. least and most are rms volts at the terminal into an open circuit."""

    set: VoltWord
    ask: Question
    answer: ValuePattern | None = None
    unit: Literal["rms", "peak", "peak to peak"]
    tolerance: Tolerance = 1e-3
    least_v_rms: Positive
    most_v_rms: Annotated[float, Field(gt=0, le=100)]

    @model_validator(mode="after")
    def _check_order(self) -> Self:
        if self.least_v_rms >= self.most_v_rms:
            raise ValueError("most_v_rms: is not above least_v_rms")
        return self


class Frequency(Strict):
    """scale: hertz a count of the number that is said."""

    set: HertzWord
    ask: Question
    answer: ValuePattern | None = None
    scale: Positive = 1.0
    tolerance: Tolerance = 1e-5
    least_hz: Positive
    most_hz: Positive

    @model_validator(mode="after")
    def _check_order(self) -> Self:
        if self.least_hz >= self.most_hz:
            raise ValueError("most_hz: is not above least_hz")
        return self


class Source(Strict):
    """A sine generator. clear: what must not be on (burst, sweep, modulation), each read back."""

    output: Output
    shape: Switchable
    clear: tuple[Switchable, ...] = ()
    load: Load
    offset: Switchable | None = None
    frequency: Frequency
    level: Level


class Relays(Strict):
    """A relay board. Channels are the board's own numbers."""

    channels: Annotated[tuple[Annotated[int, Field(ge=0, le=99_999)], ...], Field(min_length=1, max_length=256)]
    close: ChannelWord
    open: ChannelWord
    ask: ChannelQuestion
    is_closed: Pattern
    is_open: Pattern
    open_all: Word | None = None

    @model_validator(mode="after")
    def _apart(self) -> Self:
        _two_answers(self.is_closed, self.is_open, "is_closed", "is_open")
        if len(set(self.channels)) != len(self.channels):
            raise ValueError("channels: holds a number twice")
        if same_word(self.close, self.open):
            raise ValueError("open: is the word that closes")
        return self


class Input(Strict):
    """One digital input: `yes` and `no` are the whole answers for its two states."""

    ask: Question
    yes: Pattern
    no: Pattern

    @model_validator(mode="after")
    def _apart(self) -> Self:
        _two_answers(self.yes, self.no, "yes", "no")
        return self


class Inputs(Strict):
    """The interlock: guard (yes: closed) and emergency stop (yes: pressed). It is only asked, never set."""

    guard: Input
    stop: Input


def _two_answers(yes: str, no: str, yes_key: str, no_key: str) -> None:
    samples = ("0", "1", "ON", "OFF", "on", "off", yes, no)
    if yes == no or any(re.fullmatch(yes, one) and re.fullmatch(no, one) for one in samples):
        raise ValueError(f"{no_key}: is also {yes_key}; the two answers must differ")
