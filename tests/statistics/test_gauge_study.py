"""Gauge studies against published figures, each method by its name; nested studies of drawn data; process indices."""

import csv
import os
from pathlib import Path

import numpy as np
import pytest

from rig.statistics.gauge_study import average_range, crossed_study, nested_study
from rig.statistics.process_index import index_of, process_index

TRUTHS = Path(os.environ.get("ANGLEWRIGHT_SHARED", "/nowhere")) / "truths"
shared = pytest.mark.skipif(not TRUTHS.is_dir(), reason="ANGLEWRIGHT_SHARED is not set: the data stand elsewhere")


@pytest.fixture
def published() -> np.ndarray:
    """Ten parts, three persons, three trials."""
    x = np.zeros((10, 3, 3))
    for row in csv.DictReader((TRUTHS / "grr_aiag_msa4.csv").read_text().splitlines()):
        x[int(row["part"]) - 1, "ABC".index(row["operator"]), int(row["trial"]) - 1] = float(row["value"])
    return x


@shared
def test_the_published_crossed_study_with_its_interaction_pooled(published: np.ndarray) -> None:
    """Sums of squares, F and p, components, shares, categories and share of a tolerance of 8."""
    study = crossed_study(published)
    sums = [study.squares[name][0] for name in ("units", "persons", "interaction", "repeats")]
    assert [round(x, 3) for x in sums] == [88.362, 3.167, 0.359, 2.759] and round(sum(sums), 3) == 94.647
    assert study.interaction is not None
    assert (round(study.interaction[0], 3), round(study.interaction[1], 3)) == (0.434, 0.974)
    found = [study.repeats, study.between, study.measurement, study.units]
    assert [round(c.variance, 5) for c in found] == [0.03997, 0.05146, 0.09143, 1.08645]
    assert [round(c.s, 5) for c in found] == [0.19993, 0.22684, 0.30237, 1.04233]
    assert round(study.total_s, 5) == 1.08530
    assert [round(100 * study.share_of_spread(c), 2) for c in found] == [18.42, 20.90, 27.86, 96.04]
    assert round(100 * study.share_of_variance(study.measurement), 2) == 7.76
    assert study.categories == 4
    assert round(100 * study.share_of_tolerance(8.0), 2) == 22.68
    assert "pooled" in study.method


@shared
def test_the_same_data_with_the_interaction_apart_and_by_ranges(published: np.ndarray) -> None:
    """Same data, four categories or five: the method is always named."""
    apart = crossed_study(published, pool=False)
    found = [apart.repeats, apart.between, apart.measurement, apart.units]
    assert [round(c.variance, 5) for c in found] == [0.04598, 0.05212, 0.09811, 1.08867]
    assert round(100 * apart.share_of_spread(apart.measurement), 2) == 28.75
    ranges = average_range(published)
    assert [round(c.s, 4) for c in (ranges.repeats, ranges.between, ranges.measurement)] == [0.2019, 0.2297, 0.3058]
    assert round(ranges.units.s, 3) == 1.104 and round(ranges.total_s, 3) == 1.146
    assert round(100 * ranges.share_of_spread(ranges.measurement), 2) == 26.68
    assert ranges.categories == 5 and ranges.method == "average-range method" and ranges.repeats.s_interval is None


@shared
def test_one_nested_level_as_in_the_guide() -> None:
    """GUM H.5: ten days of five readings; s between 57 uV, within 85 uV, F 2.25 (of the rounded figures; 2.26)."""
    days = list(csv.DictReader((TRUTHS / "gum_h5_data.csv").read_text().splitlines()))
    pattern = np.array([-2.0, -1.0, 0.0, 1.0, 2.0]) / np.sqrt(2.5)  # five readings with s = 1
    unit = np.array([1e6 * float(d["mean_V"]) + float(d["s_uV"]) * pattern for d in days])
    study = nested_study(np.array([unit, unit]))
    between, within = (study.squares[name][0] / study.squares[name][1] for name in ("clampings", "repeats"))
    assert round(np.sqrt(between / 5.0)) == 57 and round(np.sqrt(within)) == 85
    assert between / within == pytest.approx(2.26, abs=0.01)


@pytest.mark.parametrize("truth", [(1.0, 0.5, 0.2), (2.0, 1.0, 1.0)])
def test_intervals_of_a_nested_study_hold_what_they_say(truth: tuple[float, float, float]) -> None:
    """5 x 3 x 2 on 1200 drawn sets: 95 % within four standard errors; 10 000 of them in tests/shows/lots.py."""
    rng, hits, trials = np.random.default_rng(14), np.zeros(4), 1200
    unit, clamping, repeat = truth
    for _ in range(trials):
        x = unit * rng.standard_normal((5, 1, 1)) + clamping * rng.standard_normal((5, 3, 1))
        study = nested_study(x + repeat * rng.standard_normal((5, 3, 2)))
        wanted = (repeat**2, clamping**2, unit**2, repeat**2 + clamping**2)
        found = (study.repeats, study.between, study.units, study.measurement)
        hits += [
            c.low is not None and c.high is not None and c.low <= v <= c.high
            for c, v in zip(found, wanted, strict=True)
        ]
    assert np.all(np.abs(hits / trials - 0.95) < 4.0 * np.sqrt(0.95 * 0.05 / trials))


def test_a_study_without_any_clamping_scatter_says_zero() -> None:
    """A negative estimate counts as zero, and its interval begins there."""
    x = np.array([[[1.0, 2.0], [2.0, 1.0]], [[5.0, 6.0], [6.0, 5.0]]])
    study = nested_study(x)
    assert study.between.variance == 0.0 and study.between.low == 0.0 and study.measurement.variance > 0.0


def test_nonsense_is_refused_by_name() -> None:
    """Unbalanced data, a single repeat, a tolerance with nothing left, too many for the ranges."""
    with pytest.raises(ValueError, match="as the others"):
        nested_study([[[1.0, 2.0], [1.0]], [[1.0, 2.0], [1.0, 2.0]]])
    with pytest.raises(ValueError, match=r"shape \(2, 2, 1\)"):
        nested_study(np.ones((2, 2, 1)))
    with pytest.raises(ValueError, match="left after"):
        nested_study(np.random.default_rng(1).normal(size=(3, 3, 2))).share_of_tolerance(0.0)
    with pytest.raises(ValueError, match="up to 10"):
        average_range(np.ones((11, 2, 2)))


def test_process_indices_as_published_and_never_without_their_interval() -> None:
    """NIST 6.1.6, and the interval of 1.333 from 50 parts; refused below 30 and without a chart in control."""
    found = index_of(50, 16.0, 2.0, 8.0, 20.0)
    assert (found.cp, round(found.cpk, 4)) == (1.0, 0.6667)
    fifty = index_of(50, 0.0, 0.25, -1.0, 1.0)
    assert (round(fifty.cpk_interval[0], 2), round(fifty.cpk_interval[1], 2)) == (1.05, 1.61)
    values = list(np.random.default_rng(5).normal(10.0, 0.4, 40))
    assert process_index(values, 9.0, None, in_control=True).cp is None
    with pytest.raises(ValueError, match="takes 30"):
        process_index(values[:29], 9.0, 11.0, in_control=True)
    with pytest.raises(ValueError, match="not in control"):
        process_index(values, 9.0, 11.0, in_control=False)
    with pytest.raises(ValueError, match="a limit and a spread"):
        process_index([1.0] * 30, 0.0, 2.0, in_control=True)
