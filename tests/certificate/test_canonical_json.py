"""Canonical JSON against the vectors of RFC 8785 (sections 3.2.2 to 3.2.3 and appendix B); older reports by their own
method."""

from __future__ import annotations

import json
import struct

import pytest

from rig.certificate.seal.canonical import METHOD, METHOD_BEFORE, differing, digest, parts, rfc8785_json, with_check
from rig.errors import RecordError

NUMBERS = {  # IEEE 754 bits -> as it is written (RFC 8785, appendix B)
    "0000000000000000": "0",
    "8000000000000000": "0",
    "0000000000000001": "5e-324",
    "8000000000000001": "-5e-324",
    "7fefffffffffffff": "1.7976931348623157e+308",
    "ffefffffffffffff": "-1.7976931348623157e+308",
    "4340000000000000": "9007199254740992",
    "c340000000000000": "-9007199254740992",
    "4430000000000000": "295147905179352830000",
    "44b52d02c7e14af5": "9.999999999999997e+22",
    "44b52d02c7e14af6": "1e+23",
    "44b52d02c7e14af7": "1.0000000000000001e+23",
    "444b1ae4d6e2ef4e": "999999999999999700000",
    "444b1ae4d6e2ef4f": "999999999999999900000",
    "444b1ae4d6e2ef50": "1e+21",
    "3eb0c6f7a0b5ed8c": "9.999999999999997e-7",
    "3eb0c6f7a0b5ed8d": "0.000001",
    "41b3de4355555553": "333333333.3333332",
    "41b3de4355555554": "333333333.33333325",
    "41b3de4355555555": "333333333.3333333",
    "41b3de4355555556": "333333333.3333334",
    "41b3de4355555557": "333333333.33333343",
    "becbf647612f3696": "-0.0000033333333333333333",
    "43143ff3c1cb0959": "1424953923781206.2",
}


@pytest.mark.parametrize("bits", NUMBERS)
def test_numbers_of_appendix_b(bits: str) -> None:
    """Every number of the table is written as the RFC writes it."""
    value = struct.unpack(">d", bytes.fromhex(bits))[0]
    assert rfc8785_json(value) == NUMBERS[bits].encode()


def test_the_sample_of_section_3_2() -> None:
    """Numbers, escapes, literals and the order of keys by UTF-16 code units."""
    text = (
        '{"numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],'
        r'"string": "\u20ac$\u000F\u000aA\u0027\u0042\u0022\u005c\\\"\/", "literals": [null, true, false]}'
    )
    wanted = (
        '{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],'
        r'"string":"€$\u000f\nA' + "'" + r'B\"\\\\\"/"}'
    )
    assert rfc8785_json(json.loads(text)).decode() == wanted
    keys = {"\u20ac": 1, "\r": 2, "\ufb33": 3, "1": 4, "\U0001f600": 5, "\u0080": 6, "\u00f6": 7}
    assert list(json.loads(rfc8785_json(keys))) == ["\r", "1", "\u0080", "\u00f6", "\u20ac", "\U0001f600", "\ufb33"]


def test_what_json_cannot_carry_is_refused() -> None:
    """NaN, infinity, a whole number beyond 2^53."""
    for value in (float("nan"), float("inf"), 2**53 + 1):
        with pytest.raises(RecordError, match="can't be hashed"):
            rfc8785_json(value)


def test_a_report_of_before_is_checked_by_its_own_method() -> None:
    """The method that it names decides; another one, or a method of nobody, is an altered check."""
    document = {"a": 1e-07, "b": 5.0, "judged": [{"measurand": "tr_sin", "v": 1e22}]}
    made = parts(document, METHOD_BEFORE)
    old = {**document, "check": {"method": METHOD_BEFORE, "hash": digest(made), "parts": made}}
    assert differing(old) == []
    assert differing(with_check(document)) == []
    assert differing({**old, "check": {**old["check"], "method": METHOD}}) == ["a", "b"]
    assert differing({**old, "check": {**old["check"], "method": "none"}}) == ["check"]
    assert differing({**old, "a": 1.1e-07}) == ["a"]
