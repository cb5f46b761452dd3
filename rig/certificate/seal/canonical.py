"""One hash for what a report says: canonical JSON, a hash for each part of it, and one over all of them.

    document = with_check(document);  differing(document) -> names of the parts that are no longer what was hashed

Canonical: RFC 8785 (2020) by the package rfc8785, SHA-256. Reports of before wrote exponents as Python does; they name
their method, and are checked by it. Parts let a single changed digit be named without any other copy at hand. Pure; it
knows no file.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from typing import Any

from rig.errors import RecordError

METHOD = "SHA-256 of RFC 8785 JSON by parts"
METHOD_BEFORE = "SHA-256 of canonical JSON by parts"
LINES = "judged"


def rfc8785_json(value: Any) -> bytes:
    """The value as RFC 8785 has it. Raises RecordError for what JSON can't carry (NaN, whole numbers beyond 2^53)."""
    import rfc8785

    try:
        return rfc8785.dumps(value)
    except (rfc8785.CanonicalizationError, UnicodeEncodeError) as fault:
        raise RecordError(f"can't be hashed ({fault}).", next_action="Store null where there is no number.") from fault


def canonical(value: Any) -> bytes:
    """The value as the lines of the register are hashed: sorted keys, no white space, numbers as Python writes them.

    Of texts and whole numbers it is the same as RFC 8785. Raises RecordError for what JSON can't carry.
    """
    try:
        text = json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    except (TypeError, ValueError) as fault:
        raise RecordError(f"can't be hashed ({fault}).", next_action="Store null where there is no number.") from fault
    return text.encode()


def digest(value: Any, *, method: str = METHOD_BEFORE) -> str:
    """Hex SHA-256 of a value's canonical JSON; by default as the register's lines have it."""
    return hashlib.sha256(rfc8785_json(value) if method == METHOD else canonical(value)).hexdigest()


def parts(document: Mapping[str, Any], method: str = METHOD) -> dict[str, str]:
    """Part name -> hash: every key of the document but its check, the judged lines one by one and their order."""
    made = {key: digest(value, method=method) for key, value in document.items() if key not in ("check", LINES)}
    lines = document.get(LINES)
    if isinstance(lines, list):
        made |= {f"{LINES}.{_name(line, n)}": digest(line, method=method) for n, line in enumerate(lines)}
        made[f"{LINES} (order)"] = digest([_name(line, n) for n, line in enumerate(lines)], method=method)
    elif LINES in document:
        made[LINES] = digest(lines, method=method)
    return made


def with_check(document: Mapping[str, Any]) -> dict[str, Any]:
    """The document with its check as the last key: method, hash over all parts, hash of each part."""
    made = parts(document)
    held = {key: value for key, value in document.items() if key != "check"}
    return {**held, "check": {"method": METHOD, "hash": digest(made, method=METHOD), "parts": made}}


def differing(document: Mapping[str, Any]) -> list[str]:
    """Parts that do not fit the document's own check; ["check"] when the check itself is not whole."""
    check = document.get("check")
    stated = check.get("parts") if isinstance(check, Mapping) else None
    if not isinstance(stated, Mapping) or not isinstance(check, Mapping):
        return ["check"]
    method = str(check.get("method"))
    try:
        if method not in (METHOD, METHOD_BEFORE) or digest(stated, method=method) != check.get("hash"):
            return ["check"]
        now = parts(document, method)
    except RecordError:  # what the canonical form can't hold was never hashed by us
        return ["check"]
    return sorted(name for name in {*now, *stated} if now.get(name) != stated.get(name))


def changes(was: Any, now: Any, at: str = "") -> Iterator[tuple[str, Any, Any]]:
    """Every place where two documents differ: (path, was, is); lines of a list by their measurand."""
    if isinstance(was, Mapping) and isinstance(now, Mapping):
        for key in sorted({*was, *now}):
            yield from changes(was.get(key), now.get(key), f"{at}.{key}" if at else str(key))
    elif isinstance(was, list) and isinstance(now, list):
        old, new = _by_name(was), _by_name(now)
        for name in dict.fromkeys([*old, *new]):
            yield from changes(old.get(name), new.get(name), f"{at}.{name}")
    elif canonical(was) != canonical(now):
        yield at, was, now


def changed_lines(was: bytes, now: bytes) -> list[str]:
    """'line 3' for every line of two tables that differs."""
    old, new = was.split(b"\n"), now.split(b"\n")
    return [f"line {n + 1}" for n in range(max(len(old), len(new))) if old[n : n + 1] != new[n : n + 1]]


def short_json(value: Any) -> str:
    """A value as JSON in at most 80 characters."""
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) <= 80 else text[:77] + "..."


def _by_name(items: list[Any]) -> dict[str, Any]:
    return {_name(item, n): item for n, item in enumerate(items)}


def _name(item: Any, n: int) -> str:
    return str(item["measurand"]) if isinstance(item, Mapping) and "measurand" in item else str(n + 1)
