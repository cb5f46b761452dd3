"""The coverage trial: without the wire in thousands, over it in dozens, and turned by hand.

Bounds: 93.5 to 97.5 % of the stated 95.45 % intervals hold the truth, and the median U is at most 1.3 times the error
that 95.45 % stay below. A line governed by one even influence may cover more and is listed ("even"). A row of n < 1500
intervals (angle lines with an encoder, leaks, a shortened trial) is given what chance does to it: two binomial
standard deviations on the shares, and the same on the ratio. Below 200 intervals only "too little" is judged, and
falls short when 93.5 % would leave so many outside less than once in a thousand times.
"""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys
from collections.abc import Iterator
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from coverage_trial import HIGH, LOW, NARROW, Row, outcomes, table, truths
from drawn_hand import one_by_hand
from drawn_rig import drawn, even
from scipy.stats import binom

TOP = Path(__file__).parents[3]
FIRST_SEED = 10_000
CERTAIN = 1500
FEW = 200
ONCE_IN = 1000
BY_HAND = ("tr_sin", "tr_cos", "tr_imbalance", "orthogonality_elec_deg", "centre_sin", "centre_cos")


def slack(row: Row) -> float:
    """What chance does to a share of n intervals."""
    return 0.0 if row.n >= CERTAIN else 2.0 * math.sqrt(0.9545 * 0.0455 / row.n)


def fault(row: Row) -> str:
    """Why a row falls short; "" when it doesn't."""
    if row.n < FEW:
        held = round(row.share * row.n)
        return "covers too little" if binom.cdf(held, row.n, LOW) < 1.0 / ONCE_IN else ""
    loose = slack(row)
    if row.share < LOW - loose:
        return "covers too little"
    if row.even:
        return ""
    if row.share > HIGH + loose:
        return "covers too much"
    return "too wide" if row.ratio > NARROW * (1.0 + 4.0 * loose) else ""


def told(row: Row) -> str:
    """One line of the table."""
    kind = "even" if row.even else ""
    return (
        f"{row.measurand:<38} {row.n:5d} {100 * row.share:6.2f} % {row.u_median:10.3g} {row.actual:10.3g} "
        f"{row.ratio:6.2f} {kind:<5}{row.largest}"
    )


def trial(count: int, processes: int) -> Iterator[tuple[bool, str]]:
    """Random parts, rigs, clampings and noise, evaluated without the wire."""
    rows = table(outcomes(range(FIRST_SEED, FIRST_SEED + count), processes))
    print(
        f"  {count} worlds from seed {FIRST_SEED}: line, intervals, share, median U, error at 95.45 %, ratio, governs"
    )
    for row in rows:
        short = fault(row)
        yield not short, told(row) + (f"  {short}" if short else "")


def by_hand(count: int, processes: int) -> Iterator[tuple[bool, str]]:
    """Turned by hand, 2 to 60 turns a minute, with jerks, stops and steps back."""
    seeds = range(FIRST_SEED, FIRST_SEED + count)
    if processes == 1:
        found = [row for seed in seeds for row in one_by_hand(seed)]
    else:
        with get_context("spawn").Pool(processes) as pool:
            found = [row for rows in pool.imap(one_by_hand, seeds, chunksize=2) for row in rows]
    for row in table(found):
        wanted = row.measurand in BY_HAND
        yield not wanted or row.share >= LOW - slack(row), told(row) + ("" if wanted else "  (for information)")


def toml_of(data: dict[str, Any], header: str = "") -> str:
    """Nested plain data as TOML; None is left out."""
    plain = {k: v for k, v in data.items() if not isinstance(v, dict) and v is not None}
    text = "".join(f"{key} = {json.dumps(value)}\n" for key, value in plain.items())
    for key, value in data.items():
        if isinstance(value, dict):
            name = f"{header}.{key}" if header else key
            text += f"\n[{name}]\n{toml_of(value, name)}"
    return text


def over_the_wire(count: int, work: Path) -> Iterator[tuple[bool, str]]:
    """The same draws through the command, the drivers and the simulated instruments.

    A world can't drift between loopback and sweep and its meter has no offset, so that these may cover more."""
    inside, found = 0, 0
    missed: dict[str, int] = {}
    for seed in range(FIRST_SEED, FIRST_SEED + count):
        here = drawn(seed, ringing=True)
        keys = {"multimeter": {"gain_ppm": even(here.rng, 100.0), "emf_uv": 2.0, "noise_ppm": 5.0}}
        here = drawn(seed, ringing=True, changes=keys)
        path = work / f"drawn{seed}.toml"
        path.write_text(toml_of(here.file.model_dump(mode="json", exclude={"faults_of_wire"})), encoding="utf-8")
        words = ("--world", str(path), "--clamping", str(here.clamping), "--json")
        done = subprocess.run(
            [sys.executable, "-m", "rig", "run", "full_test", "--part", here.part, "--serial", f"W-{seed}", *words],
            cwd=TOP,
            env=os.environ | {"ANGLEWRIGHT_HOME": str(work / "home")},
            capture_output=True,
            text=True,
            check=False,
        )
        if not done.stdout.strip():
            yield False, f"seed {seed}: no document (status {done.returncode}): {done.stderr[-300:]}"
            continue
        true = truths(here)
        for row in json.loads(done.stdout)["results"]:
            value = true.get(row["measurand"])
            if value is None or row["estimate"] is None or not row["U"] or row.get("qualifier"):
                continue
            found += 1
            inside += (held := abs(row["estimate"] - value) <= row["U"])
            if not held:
                missed[row["measurand"]] = missed.get(row["measurand"], 0) + 1
    share = inside / max(found, 1)
    yield (
        share >= LOW,
        f"{count} worlds over the wire: {inside} of {found} intervals hold the truth ({100 * share:.1f} %)",
    )
    often = {name: n for name, n in missed.items() if n > max(3, 0.2 * count)}
    yield not often, f"missed: {missed or 'none'}"
