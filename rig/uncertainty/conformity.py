"""Verdicts: the only place where one is made. (skeleton, being filled in)"""

from enum import Enum


class Verdict(Enum):
    """The verdict of one line; the first four are ILAC-G8:09/2019 (non-binary), the rest say why there is none."""

    PASS = "pass"
    CONDITIONAL_PASS = "conditional pass"
    CONDITIONAL_FAIL = "conditional fail"
    FAIL = "fail"
    NO_LIMIT = "no limit"
    NOT_TESTED = "not tested"
    NOT_CAPABLE = "not capable"
