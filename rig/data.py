"""Kept runs, judged lines, sweeps, readings and histories as pandas DataFrames, for notebooks; and CSV of any of them.

It computes nothing and judges nothing: every figure stands in a run's folder already. Units are in the column names or
in a column `unit`; U is at 95.45 %; an empty cell is a figure that was not measured. How to use it: rig/DATA.md.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from rig.answer import Curves
from rig.records.elsewhere.csv_files import read_phasors, read_waves
from rig.records.index.history import Change, History, UnitRun
from rig.records.run.listing import RunRow
from rig.records.run.stored import StoredRun
from rig.records.store import Store
from rig.result import Judged

ERRORS = ("error_mean_elec_arcmin", "error_ccw_elec_arcmin", "error_cw_elec_arcmin", "error_model_elec_arcmin")
ENVELOPES = ("envelope_sine", "envelope_cosine", "quadrature_sine", "quadrature_cosine")
POINTS = ("angle_mech_deg", *ERRORS, "envelope_angle_mech_deg", *ENVELOPES, "l_exc_h", "orders", "orders_mech_arcmin")
LIMIT = ("lower", "upper", "origin")


def runs(store: Store, **where: str) -> pd.DataFrame:
    """One row a run, newest first, by its id; where: part, serial, job, outcome, sequence. started_utc as a time."""
    frame = pd.DataFrame([asdict(row) for row in store.list(**where)], columns=list(RunRow.__slots__)).set_index("run")
    frame["started_utc"] = pd.to_datetime(frame["started_utc"], utc=True)
    return frame


def lines(store: Store, **where: str) -> pd.DataFrame:
    """One row a judged line over all runs, newest run first; where: measurand, part, serial, run."""
    return pd.DataFrame([dict(row) for row in store.results(**where)])


def judged_lines(judged: Sequence[Judged]) -> pd.DataFrame:
    """The lines of one judgement in its order: estimate, unit, U, k, limits, verdict, conditions as text, note."""
    rows = []
    for line in judged:
        data = line.to_dict()
        limit = data.pop("limit") or {}
        data["conditions"] = "; ".join(f"{key}={value}" for key, value in data["conditions"].items())
        rows.append(data | {key: limit.get(key) for key in LIMIT})
    return pd.DataFrame(rows, dtype=object)


def points(curves: Curves) -> pd.DataFrame:
    """Everything that was measured along one turn, column beside column, each as long as it is (`POINTS`)."""
    seen = curves.to_dict()
    return pd.DataFrame({key: pd.Series(seen[key], dtype=object) for key in POINTS if seen.get(key)})


def sweep(run: StoredRun) -> pd.DataFrame:
    """The angle error of a run's turn in electrical arcmin by the mechanical angle in degrees; empty without a turn.

    error = indicated - true; one column a pass, their mean, and the fitted orders. Raises RecordError.
    """
    return _by_angle(_curves(run), "angle_mech_deg", ERRORS)


def envelopes(run: StoredRun) -> pd.DataFrame:
    """Signed envelopes and quadratures as ratios to the excitation by the mechanical angle in degrees."""
    return _by_angle(_curves(run), "envelope_angle_mech_deg", ENVELOPES)


def orders(run: StoredRun) -> pd.Series[float]:
    """Amplitude of each order of the angle error a mechanical turn, in mechanical arcmin."""
    curves = _curves(run)
    return pd.Series(curves.orders_mech_arcmin, index=pd.Index(curves.orders, name="order"), dtype=float)


def readings(run: StoredRun) -> pd.DataFrame:
    """Every reading that counts, in the order in which it was taken; each condition is a column of its own."""
    rows = []
    for reading in run.readings:
        data = reading.to_dict()
        rows.append(data | {f"condition_{key}": value for key, value in data.pop("conditions").items()})
    return pd.DataFrame(rows)


def history(store: Store, part: str, serial: str) -> pd.DataFrame:
    """Every run of a unit over all jobs, oldest first, its attempts counted."""
    return _frame(UnitRun, [asdict(run) for run in History(store).unit(part, serial)])


def changes(
    store: Store, part: str, serial: str, job: str, *, scatter: Mapping[str, float] | None = None
) -> pd.DataFrame:
    """What changed between a unit's conditions in a job; `beyond`: the difference is larger than its U. scatter:
    measurand -> standard deviation over clampings in its unit."""
    found = History(store).changes(part, serial, job, scatter=scatter)
    frame = _frame(Change, [asdict(change) for change in found])
    return frame.assign(delta=[one.delta for one in found], beyond=[one.beyond for one in found])


def waves(path: str | Path, **options: Any) -> pd.DataFrame:
    """A waves file (CSV or WAV) in volts by the time in seconds; options of `read_waves`. Raises as that does."""
    table = read_waves(path, **options)
    time_s = np.arange(table.volts.shape[1]) / table.sample_rate_hz
    return pd.DataFrame(table.volts.T, columns=list(table.channels), index=pd.Index(time_s, name="t_s"))


def phasors(path: str | Path, answers: Mapping[str, str] | None = None) -> pd.DataFrame:
    """A phasors file: complex peak volts by the stepper's angle in mechanical degrees; raises as `read_phasors`."""
    table = read_phasors(path, answers)
    index = pd.Index(table.stepper_mech_deg, name="stepper_mech_deg")
    return pd.DataFrame({"exc": table.exc, "sine": table.sine, "cosine": table.cosine}, index=index)


def csv_bytes(frame: pd.DataFrame, *, index: bool = False) -> bytes:
    """A table as CSV after RFC 4180: UTF-8, decimal point, figures unrounded, an empty field where there is none."""
    return frame.to_csv(index=index, lineterminator="\r\n").encode()


def _curves(run: StoredRun) -> Curves:
    judgement = run.judgement
    return judgement.curves if judgement is not None else Curves()


def _by_angle(curves: Curves, angle: str, names: Sequence[str]) -> pd.DataFrame:
    seen = curves.to_dict()
    columns = {name: np.array(seen[name], dtype=float) for name in names if name in seen}
    return pd.DataFrame(columns, index=pd.Index(getattr(curves, angle), name=angle, dtype=float))


def _frame(kind: type, rows: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    """A table with the columns of a dataclass, so that an empty one has them too."""
    return pd.DataFrame(list(rows), columns=list(kind.__slots__))  # type: ignore[attr-defined]
