"""Three tiers of what a shop owns, each through a whole judged run; a person who slips leaves no wrong line."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from drivers.simulated.world.truth import truth
from rig.jobs.demo import TIERS
from rig.pins.by_hand.hand_walk import fewest_changes

Check = Callable[[], Iterator[tuple[bool, str]]]
WANTED = {"good": "within limits", "shorted": "outside limits"}
SLIP = 0.2
FAULTS = (
    "",
    'open = "cos"',
    'shorted_coil = "sin"\nshorted_tooth = 2\nshorted_turns = 8\nshort_ohm = 0.05',
    "leak_exc_sin_ohm = 200000.0",
    "leak_cos_core_ohm = 3e6",
    'open = "thermistor"',
    'open = "exc"',
    "contact_cos_ohm = 1.2",
)
WORLD = """
seed = {seed}
[part.faults]
{fault}
[multimeter]
model = "34401A"
[sampler]
model = "DS1102Z-E"
[axis]
hand_turned = true
[holder]
lead_ohm = 0.001
[switch]
model = "hand"
slip = {slip}
[climate]
probe = "hand"
[interlock]
read = false
"""


def checks(quick: bool) -> list[tuple[str, Check]]:
    """The parts of this show."""
    tiers = [("lines of tier a", _lines_of_a), ("bench check agrees", _check_agrees)]
    whole = [] if quick else [("tiers", _tiers), ("hands that slip", _slips)]
    return [*(() if quick else tiers[:1]), tiers[1], *whole]


def _asked(words: list[str], home: str) -> dict[str, Any]:
    """The --json document of a command, in a process of its own."""
    env = {**os.environ, "ANGLEWRIGHT_HOME": home}
    done = subprocess.run(
        [sys.executable, "-m", "rig", *words, "--json"], env=env, capture_output=True, text=True, check=False
    )
    try:
        found: dict[str, Any] = json.loads(done.stdout)
    except ValueError:
        return {"outcome": f"exit {done.returncode}: {done.stderr.strip()[-200:]}", "results": []}
    return found


def _wrong(document: dict[str, Any], world: str) -> list[str]:
    """Lines whose 1.5 U does not hold the truth, and statements above something that it is not."""
    true, found = truth(world)["as_clamped"], []
    for line in document["results"]:
        value, estimate, u = true.get(line["measurand"]), line["estimate"], line["U"]
        if value is None or estimate is None or u is None or line.get("spoiled"):
            continue
        above = line.get("qualifier") == ">"
        if (above and value < estimate) or (not above and abs(estimate - value) > 1.5 * u):
            found.append(f"{line['measurand']} {estimate:.5g} +- {u:.2g}, true {value:.5g}")
    return found


def _tiers() -> Iterator[tuple[bool, str]]:
    """Every tier through a whole judged run on a good part and on a shorted one, every line within its U."""
    with tempfile.TemporaryDirectory(prefix="tiers-") as home:
        for tier, units in TIERS.items():
            for unit in units:
                document = _asked(["run", "demo", unit.case, "--tier", tier], home)
                wrong = _wrong(document, unit.world)
                fine = document["outcome"] == WANTED[unit.case] and not wrong
                yield fine, f"tier {tier}, {unit.case}: {document['outcome']}; beyond 1.5 U: {wrong or 'none'}"


def _lines_of_a() -> Iterator[tuple[bool, str]]:
    """The lines of tier (a) with their U, and the number of changes against the proved minimum."""
    with tempfile.TemporaryDirectory(prefix="tier-a-") as home:
        document = _asked(["run", "demo", "--tier", "a"], home)
        journal = Path(document["files"]["journal"]).read_text(encoding="utf-8")
    for line in document["results"]:
        if line["estimate"] is not None and line["U"]:
            yield (
                True,
                f"{line['measurand']}: {line['qualifier']}{line['estimate']:.5g} {line['unit']}, U {line['U']:.2g}",
            )
    rows = [json.loads(one) for one in journal.splitlines()]
    changes = [row["data"] for row in rows if row.get("data", {}).get("quantity") == "hand_changes"]
    ohms = next(row for row in changes if row["conditions"]["of"] == "ohms")
    yield (
        ohms["value"] == ohms["conditions"]["fewest"] == fewest_changes(5),
        f"changes of leads {ohms['value']:.0f}, proved minimum {fewest_changes(5)}",
    )


def _check_agrees() -> Iterator[tuple[bool, str]]:
    """`bench check` lists what `run` refuses, by the same names."""
    with tempfile.TemporaryDirectory(prefix="agree-") as home:
        report = _asked(["bench", "check", "tier_a"], home)
        for name in ("full_test", "hand_turned"):
            words = ["run", name, "--part", "KX4-2207", "--serial", "T", "--bench", "tier_a"]
            told = str(_asked(words, home)["outcome"])
            lacks = ", ".join(report["lacking"][name])
            yield f"lacks {lacks}" in told.replace("\n", " "), f"{name}: check says {lacks}; run refuses"


def _by_hand(home: Path, seed: int, slip: float) -> tuple[dict[str, Any], list[str], list[dict[str, Any]]]:
    """One test by hand: its document, its lines beyond 1.5 U, what the hand really did."""
    world, log = home / f"world{seed}-{slip}.toml", home / f"log{seed}-{slip}"
    world.write_text(WORLD.format(seed=1000 + seed, fault=FAULTS[seed % len(FAULTS)], slip=slip), encoding="utf-8")
    words = ["run", "hand_test", "--part", "KX4-2207-S", "--serial", f"T{seed}", "--bench", "tier_a"]
    document = _asked([*words, "--world", str(world), "--bench-log", str(log)], str(home))
    events = [json.loads(line) for line in log.read_text(encoding="utf-8").splitlines()] if log.exists() else []
    return document, _wrong(document, str(world)), [event for event in events if event["event"] == "hand"]


def _slips() -> Iterator[tuple[bool, str]]:
    """Tests with a slip in 20 % of the changes (200; HAND_TRIALS: how many, HAND_FIRST: from which on): no wrong line.

    A line beyond 1.5 U is looked for in the same world without slips too: there it is the bench's, not the hand's.
    """
    count, first = int(os.environ.get("HAND_TRIALS", "200")), int(os.environ.get("HAND_FIRST", "0"))
    by_slip = of_bench = slips = acts = refused = lines = 0
    with tempfile.TemporaryDirectory(prefix="slips-") as folder:
        home = Path(folder)
        for seed in range(first, first + count):
            document, found, done = _by_hand(home, seed, SLIP)
            slips, acts = slips + sum(bool(event["slip"]) for event in done), acts + len(done)
            lines += sum(line["U"] is not None for line in document["results"])
            refused += str(document["outcome"]).startswith("exit")
            if not found:
                continue
            names = {one.partition(" ")[0] for one in _by_hand(home, seed, 0.0)[1]}
            mine = [one for one in found if one.partition(" ")[0] not in names]
            by_slip, of_bench = by_slip + len(mine), of_bench + len(found) - len(mine)
            told = f"seed {1000 + seed}, {FAULTS[seed % len(FAULTS)] or 'good'}: "
            yield False, told + f"with slips only {mine or 'none'}; without slips too {sorted(names) or 'none'}"
    told = f"{count} tests, {slips} slips in {acts} changes: {by_slip} of {lines} lines beyond 1.5 U with slips only"
    yield by_slip == 0, f"{told}, {of_bench} without slips too; {refused} tests ended without a document"
