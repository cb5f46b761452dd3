"""Guided probing by hand: the next pair is named, its value typed in or read from a multimeter, until all is known.

It must never know a meter's make. With a meter two probes are held: a sound says that the value stands; an open pair is
taken after a while of nothing, and pins that came out empty are asked once more (a slipped probe reads open too).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import cast

from rig.description.benches import load_bench
from rig.errors import UsageError
from rig.observed import Observed
from rig.pins.by_hand.probing import Probe, Row, Settling, probe
from rig.records.elsewhere.ohms import read_ohms
from rig.records.elsewhere.pairs import pair_readings, pairs_observed, pin_name

BEEP = "\a"
TOO_LONG = 1500  # readings for one pair without a value


def pin_names(text: str) -> list[str]:
    """Pins from "8" (1 to 8) or "A, B, C, D" in the connector's order. Raises UsageError for none, one or a double."""
    names = [pin_name(word) for word in text.split(",") if word.strip()]
    if len(names) == 1 and names[0].isdigit() and 2 <= int(names[0]) <= 64:
        return [str(n + 1) for n in range(int(names[0]))]
    if len(names) < 2 or len(set(names)) != len(names):
        raise UsageError(f"{text!r} names no set of pins.", next_action="Give their number, or their names: A,B,C,D.")
    return names


def by_typing(
    pins: list[str], ask: Callable[[str], str], say: Callable[[str], None], lead_ohm: float | None = None
) -> Observed:
    """A table typed in pair by pair.

    ask: gets a question, gives what was typed ("6.8", "OL", "1.2k"; "" ends early). What can't be read is asked again.
    """

    def measure(number: int, asked: Probe) -> float | None:
        while (text := ask(f"{number:>3}. pins {asked.pin_a} and {asked.pin_b} ({asked.why})")).strip():
            try:
                if (ohm := read_ohms(text)) is not None:
                    return ohm
                say("A pair that was not measured tells nothing: type ohms, or OL for over range.")
            except UsageError as fault:
                say(str(fault))
        return None

    return pairs_by_hand(pins, probe(pins, measure), "typed in", lead_ohm)


def by_meter(
    pins: list[str], read_ohm: Callable[[], float], say: Callable[[str], None], lead_ohm: float | None = None
) -> Observed:
    """A table by two probes: names each pair, reads until it stands, sounds, goes on.

    read_ohm: one reading a call, infinite over range, at some ten a second. Raises UsageError when a pair gives
    neither a steady value nor open for two minutes.
    """
    settling = Settling()

    def measure(number: int, asked: Probe) -> float:
        pair = f"pins {asked.pin_a} and {asked.pin_b}"
        say(f"     once more: {pair}" if asked.stage == "again" else f"{number:>3}. {pair}")
        ohm = _steady(settling, read_ohm, pair)
        say(f"{BEEP}     {'open' if math.isinf(ohm) else f'{ohm:.5g} ohm'}")
        return ohm

    return pairs_by_hand(pins, probe(pins, measure, doubts=True), "probed by hand", lead_ohm)


def pairs_by_hand(pins: list[str], rows: list[Row], source: str, lead_ohm: float | None) -> Observed:
    """What was probed so far as readings; pins that no pair touched are unread. ohm: infinite over range."""
    unread = [(pins[0], pin, None) for pin in pins[1:] if not any(pin in row for row in rows)]
    return pairs_observed([r for row in [*rows, *unread] for r in pair_readings(*row)], source, lead_ohm)


def _steady(settling: Settling, read_ohm: Callable[[], float], pair: str) -> float:
    settling.begin()
    for _ in range(TOO_LONG):
        value = settling.feed(read_ohm())
        if value is not None:
            return value
    raise UsageError(
        f"{pair}: no steady reading.",
        next_action="Clean the pins; a value that never stands is a bad joint, or lift the probes between pairs.",
    )


@contextmanager
def meter_of(bench_name: str) -> Iterator[Callable[[], float]]:
    """The bench's multimeter alone, opened for two-wire readings; nothing else of the bench is touched."""
    from drivers.roles import Multimeter
    from drivers.shelf import hold, open_driver

    device = load_bench(bench_name).multimeter
    if device.link == "simulated":
        raise UsageError(
            f"bench {bench_name} is simulated: nobody can hold probes to it.",
            next_action="Type the values in, or run the pins sequence, which uses the relay matrix.",
        )
    meter = cast(Multimeter, open_driver(device.driver, device.link, "multimeter", line_hz=device.line_hz))
    with hold([device.link], "probing by hand"):
        meter.open()
        try:
            yield lambda: _reading(meter.resistance_ohm(four_wire=False, range_ohm=None, nplc=1.0).value)
        finally:
            meter.close()


def _reading(value: float | None) -> float:
    return math.inf if value is None else value


def by_bench(pins: list[str], bench_name: str, say: Callable[[str], None], lead_ohm: float | None) -> Observed:
    """A table by hand with a bench's multimeter."""
    with meter_of(bench_name) as read_ohm:
        return by_meter(pins, read_ohm, say, lead_ohm)
