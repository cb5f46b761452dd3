"""Records of a run that can't be what was measured: copies of one another, or out of time order.

It must never judge a figure. Two driven records are never equal to the last code unless one was written over the
other: a converter has noise. Positions a whole number of electrical turns apart are left out (a noiseless source may
repeat itself there), and so is a turn where many are equal (the axis stands: sound_axis.py tells that).
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from itertools import pairwise

import numpy as np

from rig.evaluation.inspection.inspection import Inspection
from rig.evaluation.inspection.thresholds import COPIES_BY_ACCIDENT, DRIVEN_CODES, WHOLE_TURNS
from rig.observed import Observed
from rig.quantity import Reading
from rig.soundness import scopes
from rig.soundness.rule import Evidence, Rule
from rig.soundness.turning.neighbours import swapped_records


def out_of_order(inspection: Inspection) -> list[Evidence]:
    """Both clocks have to go back: the bench's own starts anew with a resumed run, the wall's may be set."""
    back = [
        (before, after)
        for before, after in pairwise(inspection.observed.readings)
        if after.bench_time_s < before.bench_time_s and after.time_utc < before.time_utc
    ]
    if not back:
        return swapped_records(inspection)
    before, after = back[0]
    figures = f"{len(back)} time(s) both clocks go back, first at {after.quantity} of step {after.step}: "
    return [Evidence(figures=figures + f"{before.time_utc} is followed by {after.time_utc}")]


def overwritten(inspection: Inspection) -> list[Evidence]:
    """Records of a sweep that equal another one to the last code."""
    obs, curve = inspection.observed, inspection.evaluated.angle_curve
    series = [name for name in (*obs.captures.series(), *obs.tables) if name.startswith("sweep")]
    pairs = {obs.part.pole_pairs} | ({curve.found.value} if curve is not None else set())  # the part may be another one
    copies = [pair for name in series for pair in _copies(obs, name, pairs)]
    if not copies:
        return []
    first = ", ".join(f"{later} holds the samples of {first}" for first, later in copies[:3])
    return [Evidence(figures=f"{len(copies)} record(s) equal another to the last code: {first}")]


def _copies(obs: Observed, series: str, pole_pairs: Collection[int]) -> Iterator[tuple[str, str]]:
    """(first, later) captures of a series with the same samples at positions that differ."""
    rows = obs.capture_readings(series)
    samples = _samples(obs, series)
    if len(rows) != len(samples):
        return
    turn = obs.bench.axis.steps_per_turn if obs.bench.axis else 0
    seen: dict[bytes, Reading] = {}
    found = []
    for row, block in zip(rows, samples, strict=True):
        if not block:
            continue
        first = seen.setdefault(block, row)
        if first is not row and not any(_alike(first, row, turn, p) for p in pole_pairs):
            found.append((first.capture, row.capture))
    if len(found) <= COPIES_BY_ACCIDENT * len(rows):
        yield from found


def _samples(obs: Observed, series: str) -> list[bytes]:
    """What each record holds, byte by byte; nothing for a record that was not driven."""
    if series in obs.tables:
        table = obs.tables[series]
        rows = np.column_stack([table.exc_v, table.sine, table.cosine])
        return [row.tobytes() if np.any(row) else b"" for row in rows]
    codes = obs.captures.stack(series).codes
    return [b"" if int(block.max()) - int(block.min()) < DRIVEN_CODES else block.tobytes() for block in codes]


def _alike(a: Reading, b: Reading, steps_per_turn: int, pole_pairs: int) -> bool:
    """Whether two positions are a whole number of electrical turns apart."""
    places = [r.conditions.get("position_steps") for r in (a, b)]
    if not all(isinstance(p, int | float) for p in places) or not steps_per_turn:
        return True
    apart = abs(float(str(places[0])) - float(str(places[1]))) * pole_pairs / steps_per_turn
    return abs(apart - round(apart)) < WHOLE_TURNS


RULES = (
    Rule(
        code="record-out-of-order",
        looks_at="the times of the readings, by both clocks; records that fit each other's position",
        check=out_of_order,
        text="the readings are not in the order in which they were taken",
        next="Restore the run folder from its copy; never join journals by hand. Run again if there is none.",
        spoils=scopes.by_case(scopes.everything, swapped=scopes.error_lines),
    ),
    Rule(
        code="record-overwritten",
        looks_at="the samples of the sweep, record against record",
        check=overwritten,
        text="a record was written over another one",
        next="Run again; if it comes back, look at the sampler's arming (an old record was read out) and the disk.",
        spoils=scopes.everything,
    ),
)
