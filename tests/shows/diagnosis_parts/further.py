"""Further kinds of faults, in worlds of their own: those of the blind trial keep their numbers and their draws.

Kinds that were added after the trial's lists were published; each is drawn as often as the others.
"""

from __future__ import annotations

import copy

import numpy as np
from diagnosis_parts.worlds import Case, Fault, Keys, Rng, drawn_key, good, log_uniform, put_faults, sign, take_any

FIRST = 10_000  # numbers of these worlds begin here


def _magnetised(rng: Rng, world: Keys, run: Keys) -> str:
    volts = log_uniform(rng, 0.01, 5.0)
    put_faults(magnetised_v_per_krpm=volts)(world)
    return f"{volts:.3g} V at 1000 1/min"


def _thermistor_short(rng: Rng, world: Keys, run: Keys) -> str:
    ohm = log_uniform(rng, 0.1, 30.0)
    world["part"]["thermistor"]["r25_ohm"] = ohm
    return f"{ohm:.2g} ohm"


def _thermistor_leak(rng: Rng, world: Keys, run: Keys) -> str:
    ohm = log_uniform(rng, 1.2e4, 1e7)
    put_faults(leak_thermistor_ohm=ohm)(world)
    return f"{ohm:.3g} ohm"


def _intermittent(rng: Rng, world: Keys, run: Keys) -> str:
    coil, every_s, open_s = (
        take_any(rng, ("exc", "sin", "cos")),
        float(rng.uniform(1.0, 2.4)),
        float(rng.uniform(0.4, 0.9)),
    )
    at_s = float(rng.uniform(0.0, every_s))
    put_faults(
        **{f"intermittent_{coil}_ohm": log_uniform(rng, 20.0, 1e9)},
        intermittent_s=[[at_s, at_s + open_s]],
        intermittent_every_s=every_s,
    )(world)
    return f"{coil} for {open_s:.1f} s every {every_s:.1f} s"


def _disordered(rng: Rng, world: Keys, run: Keys) -> str:
    first = int(rng.integers(20, 280))
    run["disordered"] = (first, first + int(rng.integers(2, 20)))
    return f"records {run['disordered'][0]} and {run['disordered'][1]} exchanged"


def _clipped(rng: Rng, world: Keys, run: Keys) -> str:
    world["sampler"]["clip_v"] = volts = float(rng.uniform(0.3, 1.0))
    return f"{volts:.2f} V"


def _slips(rng: Rng, world: Keys, run: Keys) -> str:
    slip = sign(rng) * log_uniform(rng, 0.02, 8.0)
    put_faults(rotor_slip_deg_per_turn=slip)(world)
    return f"{slip:+.3f} deg a turn"


ANY_LEAK = ("leak-coil-core", "leak-coil-coil", "moisture")
PART = (
    Fault("magnetised rotor", ("magnetised",), "V at 1000 1/min", "0.01", "5", _magnetised),
    Fault("thermistor shorted", ("thermistor-short",), "ohm", "30", "0.1", _thermistor_short),
    Fault("thermistor leaks to the rest", ANY_LEAK, "ohm", "1e7", "1.2e4", _thermistor_leak),
    Fault(
        "coil that opens at times",
        ("intermittent-coil",),
        "s, ohm",
        "0.4 of 2.4 s, 20",
        "0.9 of 1 s, 1e9",
        _intermittent,
    ),
)
RIG = (
    Fault("records out of order", ("record-out-of-order",), "records", "2", "20", _disordered),
    Fault("input limits far below the signal", ("channel-saturated",), "V", "1.0", "0.3", _clipped),
    Fault(
        "probe of the air is off",
        ("temperature-unsettled",),
        "K",
        "6.5",
        "15",
        drawn_key("climate", "probe_error_degc", lambda r: sign(r) * float(r.uniform(6.5, 15.0))),
    ),
    Fault("rotor slips, first run", ("rotor-or-axis-slipped",), "deg a turn", "0.02", "8", _slips),
)
KINDS = (*(("part", fault) for fault in PART), *(("rig", fault) for fault in RIG))


def further(number: int, seed: int) -> Case:
    """The case of a number from FIRST on; kinds take turns."""
    rng = np.random.default_rng([seed, number])
    group, fault = KINDS[(number - FIRST) % len(KINDS)]
    pairs = 2 if rng.random() < 0.3 else 4
    world, run = copy.deepcopy(good(rng, pairs)), {}
    case = Case(group, fault.kind, world, "KX2-1184" if pairs == 2 else "KX4-2207", fault.right, run=run)
    case.severity = fault.draw(rng, world, run)
    return case
