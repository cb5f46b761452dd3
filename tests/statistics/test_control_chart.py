"""Control charts against the published examples, digit by digit, and what a drawn shift does."""

from __future__ import annotations

import csv
import os
from pathlib import Path

import numpy as np
import pytest

from rig.errors import UsageError
from rig.statistics import control_chart as chart

SHARED = os.environ.get("ANGLEWRIGHT_SHARED")
NIST_FLOW = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)  # 6.3.2.2


def rows(name: str) -> list[dict[str, float]]:
    if not SHARED:
        pytest.skip("ANGLEWRIGHT_SHARED is not set: published reference values are not here")
    with (Path(SHARED) / "truths" / name).open(encoding="utf-8") as file:
        return [{key: float(value) for key, value in row.items()} for row in csv.DictReader(file)]


def test_individuals_of_the_published_example() -> None:
    """Mean 50.81, moving range 1.8778, limits 55.8041 and 45.8159; none outside."""
    found = chart.baseline(NIST_FLOW)
    assert round(found.mean, 2) == 50.81 and round(found.mr_mean, 4) == 1.8778
    assert (round(found.upper, 4), round(found.lower, 4)) == (55.8041, 45.8159)
    assert not any(chart.outside(x, found) for x in NIST_FLOW)
    assert chart.outside(55.81, found) and chart.outside(45.81, found)


def test_individuals_file_is_the_example() -> None:
    """Every row."""
    assert tuple(row["flowrate"] for row in rows("nist_individuals_6322.csv")) == NIST_FLOW


def test_ewma_of_the_published_example() -> None:
    """Every published value to 0.005; limits 52.5884 and 47.4115 (printed with s rounded); none out."""
    table = rows("nist_ewma_6324.csv")
    found = chart.ewma([row["x"] for row in table], 50.0, 2.0539)
    assert len(found) == 20
    for row, point in zip(table, found, strict=True):
        assert abs(point.z - row["ewma_published"]) <= 0.005 + 1e-9
    assert not any(point.lower > point.z or point.z > point.upper for point in found)
    assert found[-1].upper == pytest.approx(52.5884, abs=2e-4)  # the exact limits approach those published
    assert found[-1].lower == pytest.approx(47.4115, abs=2e-4)
    assert found[0].upper == pytest.approx(50 + 3 * 2.0539 * 0.3)


def test_cusum_of_the_published_example() -> None:
    """First signal at 14."""
    values = [row["x"] for row in rows("nist_cusum_6323.csv")]
    sums = chart.cusum(values, 325.0, 0.3175, 4.1959)
    signals = [t for t, (high, low) in enumerate(sums, start=1) if max(high, low) > 4.1959]
    assert signals[0] == 14


@pytest.mark.parametrize("values", [[], [1.0], [1.0, float("nan")], [1.0, float("inf")]])
def test_what_makes_no_baseline_is_refused(values: list[float]) -> None:
    """Never a baseline of nothing."""
    with pytest.raises(UsageError):
        chart.baseline(values)


def test_a_shift_of_one_s_is_warned_of_by_the_ewma() -> None:
    """After about twelve points in the mean, and falsely once in some hundreds."""
    rng = np.random.default_rng(13)
    waits = []
    for _ in range(300):
        points = chart.ewma(rng.normal(1.0, 1.0, 200), 0.0, 1.0)
        waits.append(next(t for t, one in enumerate(points, start=1) if one.outside))
    assert 8.0 < float(np.mean(waits)) < 12.0


def correlated(rng: np.random.Generator, r: float) -> tuple[float, list[float]]:
    """A take and its retakes of a quiet standard; r: correlation among them."""
    common = rng.normal()
    draw = [float(np.sqrt(r) * common + np.sqrt(1 - r) * rng.normal()) for _ in range(5)]
    return draw[0], draw[1:]


QUIET = chart.Baseline(mean=0.0, mr_mean=chart.D2, n=20)


def is_outside(x: float) -> bool:
    return chart.outside(x, QUIET)


@pytest.mark.parametrize(("r", "most"), [(0.0, 1 / 200), (0.5, 1 / 200)])
def test_quiet_nights_of_36_takes_rarely_stop(r: float, most: float) -> None:
    """In 3000 drawn nights; told at 0.9 too by tests/shows/nights.py."""
    rng = np.random.default_rng(13)
    stops = 0
    for _ in range(3000):
        for _ in range(36):
            first, rest = correlated(rng, r)
            if abs(first) > 3.0:
                takes = iter(rest)
                said = chart.judge_takes(first, lambda t=takes: next(t), lambda t=takes: next(t), is_outside).said
                stops += said == chart.OUT_OF_CONTROL
    assert stops / 3000 < most


def test_what_the_takes_say() -> None:
    """Chance, the zero, or the standard; every take is kept for the chart."""

    def say(first: float, *rest: float) -> chart.Takes:
        left = iter(rest)
        return chart.judge_takes(first, lambda: next(left), lambda: next(left), is_outside)

    assert say(0.5) == (chart.IN_CONTROL, (0.5,))
    assert say(3.5, 0.1, 0.2).said == chart.IN_CONTROL
    assert say(5.0, 5.1, 4.9, 0.1, 0.2).said == chart.ZERO_WAS_OFF
    assert say(5.0, 5.1, 4.9, 5.0, 5.0) == (chart.OUT_OF_CONTROL, (5.0, 5.1, 4.9, 5.0, 5.0))
    assert say(5.0, 5.1, 0.0, 5.0, 4.0).said == chart.OUT_OF_CONTROL
    left = iter((5.1, 0.0))
    no_zero = chart.judge_takes(5.0, lambda: next(left), None, is_outside)
    assert no_zero == (chart.OUT_OF_CONTROL, (5.0, 5.1, 0.0))
