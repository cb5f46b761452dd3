"""What may be said of a lot in plain words: of this lot, of the plan before it began, of the next lot apart.

It must never round a figure in the supplier's or the shop's favour. Figures: rig/statistics/small_samples.py. Each
sentence is a template and its figures, so that a page can say it in the shop's language.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from rig.review.lots.answer import GroupAnswer
from rig.review.lots.counting import CONFORMS
from rig.review.lots.plan import Numbered
from rig.statistics.small_samples import bad_not_excluded, good_needed, share_below, size_to_find

CONFIDENCE = 0.95
PASSES = "{group}: a lot with {bad} bad of {lot} passes this plan {times} times in 100."
FIND = "To find {bad} bad of {lot} with a probability of 90 % you test {n}."
NOT_EXCLUDED = "{group}: {good} good of {n} tested; of this lot of {lot}, up to {bad} bad can't be excluded (95 %)."
KNOWN = "{group}: every unit of this lot was tested: {found} of {lot} are bad, and that is known."
NEXT = "{group}: of the next lot, below {share} % bad (95 %), if it comes from the same process; {n} units say no more."
NEEDED = "To say that 95 % of further units are good, with 95 %, takes {n} without a failure."
BY_VARIABLES = "{group}: judged by mean and spread, which hold only while the units come from one normal process."


@dataclass(frozen=True, slots=True)
class Sentence:
    """A template with its figures."""

    template: str
    figures: Mapping[str, Any] = field(default_factory=dict)

    def __str__(self) -> str:
        return self.template.format(**self.figures)


def before(checks: list[Numbered], lot_size: int) -> list[Sentence]:
    """What the plan can see, before anything is tested."""
    told = []
    for check in checks:
        if check.n >= lot_size:
            continue
        if check.k is not None:
            told.append(Sentence(BY_VARIABLES, {"group": check.name}))
        for share in (0.1, 0.2):
            bad = max(1, round(share * lot_size))
            times = round(100 * check.passes(bad, lot_size))
            told.append(Sentence(PASSES, {"group": check.name, "bad": bad, "lot": lot_size, "times": times}))
    if told and lot_size >= 2:
        bad = max(1, round(0.1 * lot_size))
        told.append(Sentence(FIND, {"bad": bad, "lot": lot_size, "n": size_to_find(bad, lot_size, 0.9)}))
    return told


def after(group: GroupAnswer, lot_size: int) -> list[Sentence]:
    """What the tested units of one group say: of this lot, then of the next."""
    good, bad = group.number(CONFORMS), group.nonconforming
    n, name = good + bad, group.check.name
    if n == 0:
        return []
    if n >= lot_size:
        told = [Sentence(KNOWN, {"group": name, "found": bad, "lot": lot_size})]
    else:
        worst = bad_not_excluded(n, bad, lot_size, CONFIDENCE)
        told = [Sentence(NOT_EXCLUDED, {"group": name, "good": good, "n": n, "lot": lot_size, "bad": worst})]
    share = 100 * share_below(bad, n, CONFIDENCE)
    told.append(Sentence(NEXT, {"group": name, "share": f"{share:.1f}", "n": n}))
    if bad == 0:
        told.append(Sentence(NEEDED, {"n": good_needed(0.95, 0.95)}))
    return told
