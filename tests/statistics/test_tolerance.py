"""Limits learned from few known-good parts: exact factors, scales, outliers, masking, the share of good parts lost."""

import csv
import os
from pathlib import Path

import numpy as np
import pytest

from rig.statistics.tolerance import (
    good_rejected,
    grubbs_critical,
    learn,
    masks_itself,
    one_sided_factor,
    outlier,
    prediction_factor,
    two_sided_factor,
)

SHARED = os.environ.get("ANGLEWRIGHT_SHARED")


@pytest.mark.parametrize(
    "n,k", [(4, 6.34), (5, 5.08), (6, 4.42), (7, 4.02), (8, 3.75), (10, 3.39), (15, 2.96), (20, 2.76), (30, 2.55)]
)
def test_two_sided_factors_are_those_of_the_published_table(n: int, k: float) -> None:
    """Berthouex and Brown, table 21.1, 95 % confidence and coverage, two decimals."""
    assert two_sided_factor(n, 0.95, 0.95) == pytest.approx(k, abs=0.0051)


@pytest.mark.skipif(SHARED is None, reason="ANGLEWRIGHT_SHARED is not set: the reference table stands elsewhere")
def test_factors_equal_the_reference_table_to_1e_5() -> None:
    """n = 2 to 30, two-sided at five pairs of levels, one-sided, and for one further part."""
    table = Path(SHARED or ".") / "truths" / "tolerance_factors_exact.csv"
    two = {"k2_conf90_cov95": (0.95, 0.90), "k2_conf95_cov90": (0.90, 0.95), "k2_conf95_cov95": (0.95, 0.95)}
    two |= {"k2_conf95_cov99": (0.99, 0.95), "k2_conf99_cov95": (0.95, 0.99)}
    for row in csv.DictReader(table.read_text().splitlines()):
        n = int(row["n"])
        for column, (coverage, confidence) in two.items():
            assert two_sided_factor(n, coverage, confidence) == pytest.approx(float(row[column]), abs=1e-5)
        assert one_sided_factor(n, 0.95, 0.95) == pytest.approx(float(row["k1_conf95_cov95"]), abs=1e-5)
        assert prediction_factor(n, 0.95) == pytest.approx(float(row["pred1_95"]), abs=1e-5)


def test_the_published_outlier_example_is_flagged_and_not_dropped() -> None:
    """NIST's eight values: the last one is flagged; the limits still hold all eight."""
    values = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]
    assert outlier(values) == 7
    learned = learn(values, coverage=0.95, confidence=0.95)
    assert learned.suspect == 7 and learned.n == 8
    assert learned.mean == pytest.approx(np.mean(values))


def test_grubbs_critical_values_are_the_published_ones() -> None:
    """Two-sided, 5 %."""
    for n, value in ((3, 1.154), (5, 1.715), (8, 2.127), (10, 2.290), (20, 2.708)):
        assert grubbs_critical(n) == pytest.approx(value, abs=6e-4)


def test_a_bad_part_among_few_passes_its_own_limits_and_that_is_said() -> None:
    """Up to eleven at 95/95; whatever the size of the outlier, it lies inside limits it helped to make."""
    assert masks_itself(11, two_sided_factor(11, 0.95, 0.95))
    assert not masks_itself(13, two_sided_factor(13, 0.95, 0.95))
    learned = learn([10.0, 10.1, 9.9, 10.05, 1000.0], coverage=0.95, confidence=0.95)
    assert learned.masking and learned.upper is not None and learned.upper > 1000.0


def test_what_cannot_be_negative_is_learned_on_a_log_scale_and_one_sided() -> None:
    """Maximum errors: an upper limit only, and no lower bound of the prediction below zero."""
    learned = learn([8.0, 12.0, 15.0, 9.0, 30.0], coverage=0.99, confidence=0.95, side="upper", scale="log")
    assert learned.lower is None and learned.upper is not None and learned.upper > 30.0
    assert learned.predict[0] > 0.0


def test_nonsense_is_refused_by_name() -> None:
    """One value, a coverage of one, a negative figure on a log scale, a value that is not finite."""
    with pytest.raises(ValueError, match="too few"):
        learn([1.0], coverage=0.95, confidence=0.95)
    with pytest.raises(ValueError, match="coverage"):
        learn([1.0, 2.0], coverage=1.0, confidence=0.95)
    with pytest.raises(ValueError, match="positive"):
        learn([1.0, -2.0], coverage=0.95, confidence=0.95, scale="log")
    with pytest.raises(ValueError, match="finite"):
        learn([1.0, float("inf")], coverage=0.95, confidence=0.95)


def test_learned_limits_cover_at_their_stated_confidence() -> None:
    """2000 libraries of five parts: the share whose limits hold 95 % of all parts is 95 %, within 1.5 %."""
    from scipy.special import ndtr

    rng = np.random.default_rng(7)
    x = rng.standard_normal((2000, 5))
    half = two_sided_factor(5, 0.95, 0.95) * x.std(axis=1, ddof=1)
    held = ndtr(x.mean(axis=1) + half) - ndtr(x.mean(axis=1) - half) >= 0.95
    assert held.mean() == pytest.approx(0.95, abs=0.015)


def test_the_share_of_good_parts_rejected_grows_with_the_lines() -> None:
    """Eight lines with true 95 % limits reject a third; learned ones of 20 parts rather less than that."""
    wide = [(1.959964, "both")] * 8
    assert good_rejected(1_000_000, wide) == pytest.approx(1.0 - 0.95**8, abs=0.01)
    k = two_sided_factor(20, 0.95, 0.95)
    few, many = good_rejected(20, [(k, "both")]), good_rejected(20, [(k, "both")] * 12)
    assert 0.0 < few < many < 0.35
