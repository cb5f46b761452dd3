"""Guided probing hands-free: two probes on a multimeter, a voice that names the pair, a sound when the value stands.

It must never know the meter's make. An open pair is taken after a while of nothing; a pin that came out empty is asked
once more against its likeliest partners, so that one slipped probe does not lose a circuit.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import cast

from rig.description.benches import load_bench
from rig.diagnosis.pins import table_from
from rig.diagnosis.pins_probing import Probing, Settling
from rig.diagnosis.pins_table import PairTable
from rig.errors import UsageError

BEEP = "\a"
TOO_LONG = 1500  # readings for one pair without a value
AGAIN = 6  # pairs of idle pins that are asked a second time at most


def by_meter(
    pins: list[str], read_ohm: Callable[[], float], say: Callable[[str], None], lead_ohm: float | None = None
) -> PairTable:
    """A table by hand: names each pair, reads until it stands, sounds, goes on.

    read_ohm: one reading a call, infinite over range, at some ten a second. Raises UsageError when a pair gives
    neither a steady value nor open for two minutes.
    """
    probing, settling = Probing(tuple(pins)), Settling()
    rows: list[tuple[str, str, float | None, float | None]] = []
    while (asked := probing.next_pair()) is not None:
        say(f"{len(rows) + 1:>3}. pins {asked.pin_a} and {asked.pin_b}")
        ohm = _steady(settling, read_ohm, f"{asked.pin_a} and {asked.pin_b}")
        say(f"{BEEP}     {'open' if math.isinf(ohm) else f'{ohm:.5g} ohm'}")
        probing.put(asked.pin_a, asked.pin_b, ohm)
        rows.append((asked.pin_a, asked.pin_b, ohm, None))
    rows = _again(rows, settling, read_ohm, say)
    return PairTable(table_from(rows).readings, lead_ohm, source="probed by hand", pins_named=tuple(pins))


def _steady(settling: Settling, read_ohm: Callable[[], float], pair: str) -> float:
    settling.begin()
    for _ in range(TOO_LONG):
        value = settling.feed(read_ohm())
        if value is not None:
            return value
    raise UsageError(
        f"pins {pair}: no steady reading.",
        next_action="Clean the pins; a value that never stands is a bad joint, or lift the probes between pairs.",
    )


def _again(
    rows: list[tuple[str, str, float | None, float | None]],
    settling: Settling,
    read_ohm: Callable[[], float],
    say: Callable[[str], None],
) -> list[tuple[str, str, float | None, float | None]]:
    """Pairs of pins that both came out empty, asked a second time; a value takes the place of "open"."""
    used = {pin for a, b, ohm, _ in rows if ohm is not None and math.isfinite(ohm) for pin in (a, b)}
    idle = [i for i, (a, b, _, _) in enumerate(rows) if not {a, b} & used][:AGAIN]
    checked = list(rows)
    for i in idle:
        a, b = rows[i][:2]
        say(f"     once more: pins {a} and {b}")
        ohm = _steady(settling, read_ohm, f"{a} and {b}")
        say(f"{BEEP}     {'open' if math.isinf(ohm) else f'{ohm:.5g} ohm'}")
        checked[i] = (a, b, ohm, None)
    return checked


@contextmanager
def meter_of(bench_name: str) -> Iterator[Callable[[], float]]:
    """The bench's multimeter alone, opened for two-wire readings; nothing else of the bench is touched."""
    from drivers.roles import Multimeter
    from drivers.shelf import open_driver

    device = load_bench(bench_name).multimeter
    if device.link == "simulated":
        raise UsageError(
            f"bench {bench_name} is simulated: nobody can hold probes to it.",
            next_action="Type the values in, or run the pins sequence, which uses the relay matrix.",
        )
    meter = cast(Multimeter, open_driver(device.driver, device.link, "multimeter", line_hz=device.line_hz))
    meter.open()
    try:
        yield lambda: _reading(meter.resistance_ohm(four_wire=False, range_ohm=None, nplc=1.0).value)
    finally:
        meter.close()


def _reading(value: float | None) -> float:
    return math.inf if value is None else value


def by_bench(pins: list[str], bench_name: str, say: Callable[[str], None], lead_ohm: float | None) -> PairTable:
    """A table by hand with a bench's multimeter."""
    with meter_of(bench_name) as read_ohm:
        return by_meter(pins, read_ohm, say, lead_ohm)
