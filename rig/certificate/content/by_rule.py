"""Which words of a reason or a finding are those of its rule's row, so that another language can say them by the code.

A case with words of its own, or a record of an older rule, keeps its English: nothing is guessed.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from rig.findings.findings import PATTERNS
from rig.result import Finding, Reason
from rig.soundness.soundness import BY_CODE

HINT = "Hint: "


def by_rule(reason: Reason) -> dict[str, Any]:
    """{subject, of_row} of a reason: what its text is about, and the fields that are the row's words."""
    rule = BY_CODE.get(reason.code)
    if rule is None:
        return {}
    return _of_row({"text": (rule.text, reason.text), "next": (rule.next, reason.next)})


def by_pattern(finding: Finding) -> dict[str, Any]:
    """{subject, of_row} of a finding."""
    row = next((one for one in PATTERNS if one.code == finding.code), None)
    if row is None:
        return {}
    said = finding.text.removeprefix(HINT)
    return _of_row({"text": (row.text, said), "next_test": (row.next_test, finding.next_test)})


def _of_row(fields: Mapping[str, tuple[str, str]]) -> dict[str, Any]:
    """fields: name -> (the row's words, what the record says)."""
    subject, same = "", []
    for name, (row, said) in fields.items():
        found = re.fullmatch(re.escape(row).replace(r"\{name\}", "(.+?)"), said)
        if found is not None:
            same.append(name)
            subject = next(iter(found.groups()), subject)
    return {"subject": subject, "of_row": tuple(same)}
