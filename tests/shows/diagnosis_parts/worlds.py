"""Random worlds for the blind trial: good parts on honest benches, one fault of the part, or one of the rig.

Each fault has a severity drawn between its detection limit (`least`) and the worst that is likely (`most`); the limits
are those that the figures of a full test must show, and are printed as a table by tests/shows/diagnosis.py. What the
diagnosis sees is only the readings that come out of such a world.
"""

from __future__ import annotations

import copy
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

Rng = np.random.Generator
Keys = dict[str, Any]
STRAIGHT = {
    f"{c}_{e}": 2 * i + 1 + j
    for i, c in enumerate(("exc", "sin", "cos", "thermistor"))
    for j, e in enumerate(("hi", "lo"))
}


@dataclass
class Case:
    """One world with what it stands for; run: how the bench is run on it (points, loopback, header, lost captures)."""

    group: str
    kind: str
    world: Keys
    part: str
    right: tuple[str, ...] = ()
    severity: str = ""
    run: Keys = field(default_factory=dict)


@dataclass(frozen=True)
class Fault:
    """draw(rng, world, run) puts the fault into a good world and returns its severity in words.

    right: finding codes that count as one (a published class); unit, least, most: the detection limit and the range.
    """

    kind: str
    right: tuple[str, ...]
    unit: str
    least: str
    most: str
    draw: Callable[[Rng, Keys, Keys], str]
    pairs: tuple[int, ...] = (4, 2)


def good(rng: Rng, pairs: int) -> Keys:
    """A good part on a good bench, both with the scatter that good ones have."""
    ambient = float(rng.uniform(19.0, 26.0))
    part: Keys = {
        "r20_exc_ohm": 9.0 * float(rng.uniform(0.98, 1.02)),
        "gap_mean_mm": 0.70 * float(rng.uniform(0.99, 1.01)),
        "core_loss_deg": float(rng.uniform(0.3, 0.8)),
        "thermistor": {"r25_ohm": 10_000.0 * float(rng.uniform(0.99, 1.01))},
        "gap_scatter": float(rng.uniform(0.002, 0.006) if pairs == 4 else rng.uniform(0.001, 0.004)),
        "faults": {},
    }
    copper = 15.0 * float(rng.uniform(0.98, 1.02))
    part |= {
        "r20_sin_ohm": copper * float(rng.normal(1.0, 0.001)),
        "r20_cos_ohm": copper * float(rng.normal(1.0, 0.001)),
    }
    if pairs == 2:
        part |= {"pole_pairs": 2, "teeth": 8}
    return {
        "seed": int(rng.integers(1, 1_000_000)),
        "part": part,
        "holder": {"angle_deg": float(rng.uniform(0.0, 360.0))},
        "axis": {
            "cyclic_50_arcmin": float(rng.uniform(1.0, 3.5)),
            "cyclic_100_arcmin": float(rng.uniform(0.3, 1.5)),
            "cyclic_200_arcmin": float(rng.uniform(0.2, 0.8)),
            "once_arcmin": float(rng.uniform(0.5, 2.5)),
            "twice_arcmin": float(rng.uniform(0.1, 0.8)),
            "backlash_arcmin": float(rng.uniform(0.3, 1.3)),
        },
        "sampler": {
            "gain_error": [0.0, *(float(g) for g in rng.uniform(-0.008, 0.008, 3))],
            "skew_ns": [0.0, *(float(s) for s in rng.uniform(-300.0, 300.0, 3))],
            "offset_v": [float(v) for v in rng.uniform(-0.005, 0.005, 4)],
            "noise_v": float(rng.uniform(0.0003, 0.0008)),
            "clock_ppm": float(rng.uniform(-30.0, 30.0)),
        },
        "generator": {"thd": float(rng.uniform(0.001, 0.004))},
        "multimeter": {"gain_ppm": float(rng.uniform(-40.0, 40.0))},
        "climate": {"ambient_degc": ambient, "part_degc": ambient + float(rng.uniform(-0.2, 0.2))},
    }


def log_uniform(rng: Rng, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def take_any(rng: Rng, values: tuple[Any, ...]) -> Any:
    return values[int(rng.integers(len(values)))]


def sign(rng: Rng) -> float:
    return 1.0 if rng.random() < 0.5 else -1.0


# ---- faults of the part -------------------------------------------------------------------------------------


def put_faults(**faults: Any) -> Callable[[Keys], None]:
    return lambda world: world["part"]["faults"].update(faults)


def _open(rng: Rng, world: Keys, run: Keys) -> str:
    coil = take_any(rng, ("exc", "sin", "cos"))
    put_faults(open=coil)(world)
    return str(coil)


def _thermistor_open(rng: Rng, world: Keys, run: Keys) -> str:
    put_faults(open="thermistor")(world)
    return "open"


def _thermistor_drift(rng: Rng, world: Keys, run: Keys) -> str:
    kelvin = sign(rng) * float(rng.uniform(6.5, 20.0))
    put_faults(thermistor_offset_degc=kelvin)(world)
    return f"{kelvin:+.1f} K"


def _contact(rng: Rng, world: Keys, run: Keys) -> str:
    coil = take_any(rng, ("exc", "sin", "cos"))
    ohm = log_uniform(rng, 1.3, 5.0) if coil == "exc" else log_uniform(rng, 0.5, 5.0)
    put_faults(**{f"contact_{coil}_ohm": ohm})(world)
    return f"{coil} {ohm:.2f} ohm"


def _shorted(rng: Rng, world: Keys, run: Keys) -> str:
    coil, tooth = take_any(rng, ("exc", "sin", "cos")), int(rng.integers(1, world["part"].get("teeth", 16) + 1))
    turns, ohm = int(rng.integers(2, 9)), log_uniform(rng, 0.05, 1.0)
    put_faults(shorted_coil=coil, shorted_tooth=tooth, shorted_turns=turns, short_ohm=ohm)(world)
    return f"{coil} tooth {tooth}: {turns} turns, {ohm:.2f} ohm"


def _leak_coils(rng: Rng, world: Keys, run: Keys) -> str:
    pair, ohm = take_any(rng, ("exc_sin", "exc_cos", "sin_cos")), log_uniform(rng, 1.2e4, 1e7)
    put_faults(**{f"leak_{pair}_ohm": ohm, "leak_from": float(rng.random()), "leak_to": float(rng.random())})(world)
    return f"{pair} {ohm:.3g} ohm"


def _leak_core(rng: Rng, world: Keys, run: Keys) -> str:
    coil, ohm = take_any(rng, ("exc", "sin", "cos")), log_uniform(rng, 1.2e4, 1e7)
    put_faults(**{f"leak_{coil}_core_ohm": ohm, "leak_from": float(rng.random())})(world)
    return f"{coil} {ohm:.3g} ohm"


def _moisture(rng: Rng, world: Keys, run: Keys) -> str:
    share = log_uniform(rng, 0.02, 1.0)
    put_faults(moisture=share)(world)
    return f"{share:.2f}"


def _runout(rng: Rng, world: Keys, run: Keys) -> str:
    mm = float(rng.uniform(0.05, 0.2))
    put_faults(runout_mm=mm, runout_deg=float(rng.uniform(0.0, 360.0)))(world)
    return f"{mm:.3f} mm"


def _weak_lobe(rng: Rng, world: Keys, run: Keys) -> str:
    share = float(rng.uniform(0.25, 1.0))
    lobes = world["part"].get("pole_pairs", 4)
    put_faults(weak_lobe=int(rng.integers(1, lobes + 1)), weak_lobe_fraction=share)(world)
    return f"{share:.2f}"


def _axial(rng: Rng, world: Keys, run: Keys) -> str:
    mm = sign(rng) * float(rng.uniform(5.2, 7.0))
    put_faults(axial_mm=mm)(world)
    run["header"] = {"retest_of": "the run before the re-seat"}
    return f"{mm:+.1f} mm, after a re-seat"


def _wrong_rotor(rng: Rng, world: Keys, run: Keys) -> str:
    lobes = int(take_any(rng, (2, 3, 5, 6, 8, 12) if world["part"].get("pole_pairs", 4) == 4 else (1, 3, 5, 6)))
    world["part"]["lobes"] = lobes
    return f"{lobes} lobes"


def _loose(rng: Rng, world: Keys, run: Keys) -> str:
    slip = sign(rng) * log_uniform(rng, 0.12, 8.0)
    put_faults(rotor_slip_deg_per_turn=slip)(world)
    run["header"] = {"retest_of": "the run before the re-clamping"}
    run["entries"] = {"rotor mark": "unmoved"}
    return f"{slip:+.2f} deg a turn, after a re-clamping with the mark unmoved"


def _wiring(rng: Rng, world: Keys, run: Keys) -> str:
    which = take_any(rng, ("swap_sin_cos", "reverse_sin", "reverse_cos"))
    put_faults(**{which: True})(world)
    return str(which)


ROTOR = ("gap-or-rotor",)
WIRING = ("wiring-swapped", "wiring-reversed")
PART_FAULTS = (
    Fault("open coil", ("open-coil",), "", "any", "any", _open),
    Fault("thermistor open", ("thermistor-open",), "", "any", "any", _thermistor_open),
    Fault("thermistor off its curve", ("thermistor-drift",), "K", "6.5", "20", _thermistor_drift),
    Fault("contact resistance", ("contact-resistance",), "ohm", "exc 1.3, outputs 0.5", "5", _contact),
    Fault("shorted turns", ("shorted-turns",), "turns, ohm", "2 turns, 1.0 ohm", "8 turns, 0.05 ohm", _shorted),
    Fault("leak between coils", ("leak-coil-coil",), "ohm", "1e7", "1.2e4", _leak_coils),
    Fault("leak to the core", ("leak-coil-core",), "ohm", "1e7", "1.2e4", _leak_core),
    Fault("moisture", ("moisture",), "0 to 1", "0.02", "1", _moisture),
    Fault("rotor runs out", ROTOR, "mm", "0.05", "0.20", _runout),
    Fault("weak lobe", ROTOR, "share", "0.25", "1", _weak_lobe),
    Fault("axial, after a re-seat", ROTOR, "mm", "5.2", "7", _axial),
    Fault("wrong rotor", ("wrong-rotor",), "lobes", "any", "any", _wrong_rotor),
    Fault("loose rotor", ("loose-rotor",), "deg a turn", "0.12", "8", _loose),
    Fault("outputs swapped or reversed", WIRING, "", "any", "any", _wiring),
)


# ---- faults of the rig --------------------------------------------------------------------------------------


def drawn_key(section: str, key: str, draw: Callable[[Rng], Any]) -> Callable[[Rng, Keys, Keys], str]:
    def put(rng: Rng, world: Keys, run: Keys) -> str:
        world.setdefault(section, {})[key] = value = draw(rng)
        return f"{key} {value:.4g}" if isinstance(value, float) else f"{key} {value}"

    return put


def _lost(rng: Rng, world: Keys, run: Keys) -> str:
    steps = int(rng.integers(1, 4))
    world["axis"] |= {"lost_at_deg": float(rng.uniform(20.0, 340.0)), "lost_deg": 7.2 * steps}
    return f"{4 * steps} full steps"


def _scale(rng: Rng, world: Keys, run: Keys) -> str:
    scale = 1.0 + sign(rng) * log_uniform(rng, 0.002, 0.05)
    world["axis"]["scale"] = scale
    return f"scale {scale:.4f}"


def _gain(rng: Rng, world: Keys, run: Keys) -> str:
    channel, gain = int(rng.integers(0, 4)), sign(rng) * log_uniform(rng, 0.045, 0.3)
    world["sampler"]["gain_error"][channel] = gain
    return f"channel {channel} {100 * gain:+.1f} %"


def _tone(rng: Rng, world: Keys, run: Keys) -> str:
    volts, off = log_uniform(rng, 0.002, 0.05), sign(rng) * float(rng.uniform(10.0, 60.0))
    world["sampler"] |= {"tone_v": volts, "tone_hz": 10_000.0 + off}
    return f"{1e3 * volts:.1f} mV, {off:+.0f} Hz off the carrier"


def _warm(rng: Rng, world: Keys, run: Keys) -> str:
    apart = sign(rng) * float(rng.uniform(3.5, 15.0))
    world["climate"]["part_degc"] = world["climate"]["ambient_degc"] + apart
    world["climate"]["part_settle_min"] = float(take_any(rng, (0.0, 10.0, 30.0)))
    return f"{apart:+.1f} K"


def _pins(rng: Rng, world: Keys, run: Keys) -> str:
    a, b = take_any(
        rng,
        (
            ("exc", "sin"),
            ("exc", "cos"),
            ("exc", "thermistor"),
            ("sin", "thermistor"),
            ("sin_hi", "cos_hi"),
            ("exc_lo", "sin_hi"),
        ),
    )
    pins = dict(STRAIGHT)
    ends = [(a, b)] if "_" in a else [(f"{a}_{e}", f"{b}_{e}") for e in ("hi", "lo")]
    for one, other in ends:
        pins[one], pins[other] = pins[other], pins[one]
    world["holder"]["pins"] = pins
    return f"{a} and {b} exchanged"


def _live(rng: Rng, world: Keys, run: Keys) -> str:
    terminal, volts = take_any(rng, ("exc_hi", "sin_hi", "cos_lo")), log_uniform(rng, 0.3, 12.0)
    world["wiring"] = {"live_terminal": terminal, take_any(rng, ("live_v_dc", "live_v_ac")): volts}
    return f"{volts:.1f} V on {terminal}"


def _seat(rng: Rng, world: Keys, run: Keys) -> str:
    least, most = (0.10, 0.24) if world["part"].get("pole_pairs", 4) == 2 else (0.22, 0.27)
    mm = float(rng.uniform(least, most))
    world["holder"] |= {"offset_mm": mm, "offset_deg": float(rng.uniform(0.0, 360.0))}
    return f"{mm:.2f} mm"


def _axial_seat(rng: Rng, world: Keys, run: Keys) -> str:
    mm = float(rng.uniform(5.2, 7.0))
    world["holder"]["axial_mm"] = mm
    return f"{mm:.1f} mm"


def _rotor_missing(rng: Rng, world: Keys, run: Keys) -> str:
    put_faults(rotor="missing")(world)
    return "no rotor"


def _grid(rng: Rng, world: Keys, run: Keys) -> str:
    run["points"] = int(take_any(rng, (200, 100, 50)))
    return f"{run['points']} points"


def _missing(rng: Rng, world: Keys, run: Keys) -> str:
    run["lost"] = (int(rng.integers(10, 200)), int(rng.integers(20, 90)))
    return f"{run['lost'][1]} points"


def _no_loopback(rng: Rng, world: Keys, run: Keys) -> str:
    run["loopback"] = False
    return "none taken, none kept"


def _load(rng: Rng, world: Keys, run: Keys) -> str:
    run["source"] = 0.5
    return "half of what was set"


def _copied(rng: Rng, world: Keys, run: Keys) -> str:
    first, count = int(rng.integers(0, 100)), int(rng.integers(1, 12))
    run["copied"] = (first, int(rng.integers(120, 280)), count)
    return f"{count} records"


RIG_FAULTS = (
    Fault("load setting", ("load-setting", "excitation-level"), "factor", "0.5", "0.5", _load),
    Fault("records overwritten", ("record-overwritten",), "records", "1", "11", _copied),
    Fault("axis stands", ("axis-not-turning",), "", "any", "any", drawn_key("axis", "stuck", lambda rng: True)),
    Fault("steps lost", ("steps-lost",), "full steps", "4", "12", _lost),
    Fault(
        "microstep setting",
        ("microstep-setting",),
        "factor",
        "2",
        "4",
        drawn_key("axis", "scale", lambda r: float(take_any(r, (0.25, 0.5, 2.0, 4.0)))),
    ),
    Fault(
        "steps a turn wrong",
        ("axis-slip", "steps-lost", "turn-not-closed", "pole-pairs-not-whole"),
        "",
        "0.002",
        "0.05",
        _scale,
    ),
    Fault(
        "play in the coupling",
        ("latency",),
        "arcmin",
        "12",
        "40",
        drawn_key("axis", "backlash_arcmin", lambda r: float(r.uniform(12, 40))),
    ),
    Fault(
        "channel dead",
        ("channel-silent", "excitation-missing"),
        "",
        "any",
        "any",
        drawn_key("sampler", "silent_channel", lambda r: str(take_any(r, ("exc_v", "exc_i", "sin", "cos")))),
    ),
    Fault("channel gain", ("channel-gain",), "share", "0.045", "0.3", _gain),
    Fault(
        "input limits",
        ("channel-saturated",),
        "V",
        "4.8",
        "1",
        drawn_key("sampler", "clip_v", lambda r: float(r.uniform(1.0, 4.8))),
    ),
    Fault(
        "crosstalk",
        ("crosstalk",),
        "share",
        "0.0008",
        "0.02",
        drawn_key("sampler", "crosstalk", lambda r: log_uniform(r, 8e-4, 2e-2)),
    ),
    Fault("tone near the carrier", ("interference",), "V", "0.002", "0.05", _tone),
    Fault(
        "noise",
        ("interference",),
        "V",
        "0.05",
        "0.2",
        drawn_key("sampler", "noise_v", lambda r: log_uniform(r, 0.05, 0.2)),
    ),
    Fault(
        "distorted source",
        ("excitation-distorted",),
        "share",
        "0.025",
        "0.2",
        drawn_key("generator", "thd", lambda r: log_uniform(r, 0.025, 0.2)),
    ),
    Fault(
        "source folds back",
        ("excitation-level", "excitation-missing"),
        "A",
        "0.055",
        "0.02",
        lambda r, w, run: (
            w["generator"].update(foldback=True),
            drawn_key("generator", "foldback_a", lambda q: float(q.uniform(0.02, 0.055)))(r, w, run),
        )[1],
    ),
    Fault(
        "amplifier limits",
        ("excitation-level", "excitation-distorted"),
        "V",
        "8",
        "3",
        drawn_key("generator", "amplifier_limit_v", lambda r: float(r.uniform(3, 8))),
    ),
    Fault(
        "source off frequency",
        ("excitation-frequency",),
        "ppm",
        "500",
        "20000",
        drawn_key("generator", "frequency_ppm", lambda r: sign(r) * log_uniform(r, 500, 20000)),
    ),
    Fault("part warm or cold", ("temperature-unsettled",), "K", "3.5", "15", _warm),
    Fault(
        "another part's adapter",
        ("pin-map-mismatch",),
        "",
        "any",
        "any",
        drawn_key("holder", "adapter", lambda r: "another"),
    ),
    Fault("pins exchanged", ("pin-map-mismatch",), "", "any", "any", _pins),
    Fault("live circuit", ("live-circuit",), "V", "0.3", "12", _live),
    Fault(
        "meter off",
        ("calibration-stale",),
        "ppm",
        "7000",
        "50000",
        drawn_key("multimeter", "gain_ppm", lambda r: sign(r) * log_uniform(r, 7000, 50000)),
    ),
    Fault("rotor missing", ("rotor-missing",), "", "any", "any", _rotor_missing),
    Fault("off centre in the holder", ("seat-off-centre",), "mm", "p = 2: 0.10, p = 4: 0.22", "0.27", _seat),
    Fault("axial in the holder", ("seat-axial",), "mm", "5.2", "7", _axial_seat),
    Fault("grid blind to an order", ("grid-blind",), "points", "200", "50", _grid),
    Fault("points missing", ("points-missing",), "points", "20", "90", _missing),
    Fault("no loopback", ("calibration-stale",), "", "any", "any", _no_loopback),
)

UNSEEN = (
    ("coil that opens when hot", "needs a warm run, or `watch`, while the part is moved"),
    ("excitation reversed, or both outputs", "one of the equivalent labelings: only a datum tells"),
    ("tilt up to 8 mrad", "moves no line of a four-pole-pair part by its uncertainty"),
    ("1 shorted turn through more than 1 ohm", "quadrature below 0.2 % of the maximum"),
)


def cases(count: int, seed: int, first: int = 0) -> list[Case]:
    """Cases `first` to `count` - 1: half one fault of the part, a quarter one of the rig, a quarter good.

    The same for one seed and one list of faults.
    """
    made = []
    for i in range(first, count):
        rng = np.random.default_rng([seed, i])
        group = ("part", "rig", "part", "good")[i % 4]
        table = {"part": PART_FAULTS, "rig": RIG_FAULTS, "good": ()}[group]
        fault = table[int(rng.integers(len(table)))] if table else None
        pairs = 2 if rng.random() < 0.3 else 4
        world, run = copy.deepcopy(good(rng, pairs)), {}
        case = Case(group, fault.kind if fault else "good", world, "KX2-1184" if pairs == 2 else "KX4-2207", run=run)
        if fault is not None:
            case.right, case.severity = fault.right, fault.draw(rng, world, run)
        made.append(case)
    return made
