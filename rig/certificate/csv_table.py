"""The table faces: CSV of every figure (one row a line of the report, unrounded) and of the curves point by point.

Every row of a simulated run says SIMULATED, so that it stays said when rows are copied elsewhere. It computes nothing.
CSV after RFC 4180, UTF-8, decimal point; an empty field where there is no figure.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from rig.certificate.content.report import Content
from rig.certificate.words.wording import find_measurand
from rig.result import Judgement

COLUMNS = (
    "report",
    "simulated",
    "group",
    "measurand",
    "name",
    "qualifier",
    "estimate",
    "unit",
    "U",
    "k",
    "coverage",
    "dof",
    "lower",
    "upper",
    "origin",
    "verdict",
    "conditions",
    "note",
)
CURVES = (
    "angle_mech_deg",
    "error_mean_elec_arcmin",
    "error_ccw_elec_arcmin",
    "error_cw_elec_arcmin",
    "error_model_elec_arcmin",
    "envelope_angle_mech_deg",
    "envelope_sine",
    "envelope_cosine",
    "quadrature_sine",
    "quadrature_cosine",
    "l_exc_h",
    "orders",
    "orders_mech_arcmin",
)


def results_csv(content: Content, judgement: Judgement) -> bytes:
    """One row a line, in the report's order."""
    rows = []
    for line in judgement.judged:
        data = line.to_dict()
        limit = data.pop("limit") or {}
        data["conditions"] = "; ".join(f"{key}={value}" for key, value in data["conditions"].items())
        m = find_measurand(line.measurand)
        rows.append(
            data
            | {key: limit.get(key) for key in ("lower", "upper", "origin")}
            | {"report": content.number, "simulated": _mark(content), "group": m.group, "name": m.name}
        )
    return _csv(COLUMNS, ([row[column] for column in COLUMNS] for row in rows))


def curves_csv(content: Content) -> bytes:
    """The curves side by side, one row a point; b"" for a run without a sweep."""
    curves: Mapping[str, Any] = content.curves
    named = {key: list(curves[key]) for key in CURVES if isinstance(curves.get(key), list | tuple) and curves[key]}
    if not named:
        return b""
    length = max(len(values) for values in named.values())
    columns = {key: values + [None] * (length - len(values)) for key, values in named.items()}
    rows = ([content.number, _mark(content), *point] for point in zip(*columns.values(), strict=True))
    return _csv(("report", "simulated", *columns), rows)


def _mark(content: Content) -> str:
    return "SIMULATED" if content.simulated else ""


def _csv(columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> bytes:
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(columns)
    writer.writerows(rows)
    return out.getvalue().encode()
