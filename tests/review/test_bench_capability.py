"""Whether a bench can judge a part's limits is known from its files, with the U that it will state."""

from __future__ import annotations

from functools import cache
from typing import Any

import pytest

from rig.cli.pages.capability import Page
from rig.description.benches import BenchFile, load_bench
from rig.description.holders import load_holder
from rig.description.parts import load_part
from rig.quantity import Limit
from rig.resolver.part import DecisionRule, Part
from rig.review.capability import CLAMPINGS, ENCODER, SAMPLER, Capability, capability, share_left


def bench(**axis: Any) -> BenchFile:
    """The simulated bench's file without an encoder; axis: keys that differ."""
    file = load_bench("simulated")
    assert file.axis is not None
    return file.model_copy(update={"encoder": None, "axis": file.axis.model_copy(update=axis)})


def part(*limits: Limit, rule: str = "guard band") -> Part:
    """The demonstration part with these limits only."""
    whole = load_part("KX4-2207").part()
    return Part(
        **{**{f: getattr(whole, f) for f in whole.__slots__}, "limits": limits, "decision": DecisionRule(name=rule)}
    )


def upper(value: float, id_: str = "error_max_elec_arcmin") -> Limit:
    return Limit(measurand=id_, lower=None, upper=value, origin="customer")


@cache
def stepper_only() -> Capability:
    return capability(load_part("KX4-2207").part(), load_holder("adapter_8"), bench())


def test_every_limit_line_is_answered() -> None:
    """Each line with a limit has an expected U, the share of the tolerance left, and what dominates it."""
    found = stepper_only()
    for limit in load_part("KX4-2207").part().limits:
        line = found.line(limit.measurand)
        assert line is not None and line.U is not None and line.limit == limit
        assert line.sentence in ("decides", "decides narrowly")
        assert line.U == 0 or line.dominated_by[0][1] > 0.2
    assert found.not_capable == ()


def test_the_axis_dominates_the_error_and_an_encoder_would_help_most() -> None:
    """On an open-loop stepper the positioner dominates; encoder, remount and sampler are weighed against it."""
    line = stepper_only().line("error_max_elec_arcmin")
    assert line is not None and line.U is not None
    assert line.dominated_by[0][0].startswith("positioner")
    assert line.better[ENCODER] < 0.4 * line.U
    assert SAMPLER not in line.better
    twice = stepper_only().line("order_2_mech_arcmin")
    assert twice is not None and twice.U is not None
    assert twice.better[CLAMPINGS] < 0.5 * twice.U
    balance = stepper_only().line("tr_imbalance")
    assert balance is not None and balance.U is not None
    assert balance.better[SAMPLER] < balance.U


def test_a_limit_that_the_axis_eats_up_is_said_before_anything_is_clamped() -> None:
    """A limit below the guard band can't be judged behind it; simple acceptance or a better axis can."""
    tight = capability(part(upper(5.0)), load_holder("adapter_8"), bench())
    assert tight.not_capable == ("error_max_elec_arcmin",)
    line = tight.line("error_max_elec_arcmin")
    assert line is not None and line.share == 0.0 and line.better[ENCODER] < 5.0
    simple = capability(part(upper(5.0), rule="simple"), load_holder("adapter_8"), bench())
    assert simple.not_capable == ()
    better = capability(part(upper(5.0)), load_holder("adapter_8"), bench(once_arcmin=0.3, twice_arcmin=0.3))
    assert better.not_capable == ()


def test_what_no_full_test_shows_is_said() -> None:
    """Without an axis the angle lines have no expected U, and the reason stands with them."""
    file = bench().model_copy(update={"axis": None})
    line = capability(part(upper(75.0)), load_holder("adapter_8"), file).line("error_max_elec_arcmin")
    assert line is not None and line.U is None
    assert line.sentence == "nothing expected"
    assert "sweep" in line.note


def test_share_of_the_tolerance() -> None:
    """Two-sided: 1 - 2 w / width; upper limit of what can't be negative: 1 - w / limit; never below zero."""
    both = Limit(measurand="tr_sin", lower=0.2, upper=0.4, origin="customer")
    assert share_left(0.05, both, True) == pytest.approx(0.5)
    assert share_left(0.2, both, True) == 0.0
    assert share_left(20.0, upper(75.0), True) == pytest.approx(1 - 20 / 75)
    assert share_left(20.0, Limit(measurand="leak_exc_core", lower=2e7, upper=None, origin="customer"), True) == 1.0


def test_the_change_that_narrows_the_tightest_line_most_is_named() -> None:
    """Of the lines that a better bench would narrow, the one with the least tolerance left; its largest step first."""
    found = capability(part(upper(20.0)), load_holder("adapter_8"), bench())
    line = found.tightest
    assert line is not None and line.share == min(one.share for one in found.lines if one.better and one.share)
    page = Page(found)
    most = page.document()["tightest"]
    assert most["U_then"] == min(line.better.values()) < most["U"] == line.U
    assert most["with"] in page.text().split("narrows most")[1]
