"""The phase that the ratio standard of hardware/ must show, against the page that says so."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from rig.description.benches import BenchFile, load_bench
from rig.evaluation.bench.proof import NOT_CAPABLE, OUTSIDE, WITHIN, ProofLine
from rig.evaluation.bench.ratio_standard import phase_limits_deg

PAGE = Path(__file__).parents[2] / "hardware" / "first_steps.md"


def as_built() -> BenchFile:
    bench = load_bench("simulated")
    return bench.model_copy(
        update={
            "switch": bench.switch.model_copy(update={"ratio_standard_out_ohm": 71.4}),
            "sampler": bench.sampler.model_copy(update={"input_pf": 180.0}),
        }
    )


def test_the_limits_of_the_phase_are_those_of_first_steps() -> None:
    """-0.14 to -0.01 deg at 10 kHz on the bench of the pages; at twice the frequency twice as much."""
    row = next(line for line in PAGE.read_text().splitlines() if line.startswith("| phase at 10 kHz |"))
    low, high = (float(x.replace("\N{MINUS SIGN}", "-")) for x in re.findall(r"([−0-9.]+)° to ([−0-9.]+)°", row)[0])
    found = phase_limits_deg(as_built(), 10e3)
    assert found == pytest.approx((low, high), abs=0.005)
    assert phase_limits_deg(as_built(), 20e3) == pytest.approx([2 * x for x in found], rel=1e-3)


def test_a_standard_without_output_resistance_turns_nothing() -> None:
    """The simulated one: from -0.05 deg to +0.05 deg and the follower's 0.03 deg."""
    assert phase_limits_deg(load_bench("simulated"), 10e3) == pytest.approx((-0.05, 0.08), abs=0.001)


@pytest.mark.parametrize(
    ("estimate", "U", "verdict"),
    [(1.0, 1.9e-4, WITHIN), (1.0, 2.0e-4, NOT_CAPABLE), (1.0003, 9e-4, OUTSIDE), (1.0, None, NOT_CAPABLE)],
)
def test_a_value_beyond_its_limits_is_outside_however_wide_U_is(estimate: float, U: float | None, verdict: str) -> None:
    """Not capable only takes the place of within limits."""
    line = ProofLine(id="x", text="", unit="1", estimate=estimate, U=U, lower=0.9998, upper=1.0002, next="")
    assert line.verdict == verdict
