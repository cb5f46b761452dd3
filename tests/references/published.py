"""Published values for the reference tests, read from fixtures/reference (each file names its source)."""

import csv
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

FOLDER = Path(__file__).parents[2] / "fixtures" / "reference"


def rows(name: str) -> list[dict[str, str]]:
    """The rows of a file, comment lines left out."""
    lines = (FOLDER / f"{name}.csv").read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def columns(name: str) -> dict[str, NDArray[np.float64]]:
    """A file of numbers, column by column."""
    table = rows(name)
    return {key: np.array([float(row[key]) for row in table]) for key in table[0]}


def values(name: str, case: str) -> dict[str, tuple[float, float]]:
    """quantity -> (published, tolerance) of one case."""
    return {row["quantity"]: (float(row["published"]), float(row["tol"])) for row in rows(name) if row["case"] == case}


def agree(case: str, **found: float) -> None:
    """Every named figure lies within the tolerance of what was published."""
    known = values("published_uncertainty", case)
    for quantity, value in found.items():
        published, tol = known[quantity]
        assert abs(value - published) <= tol, f"{case} {quantity}: {value} against {published} +- {tol}"
