"""Reasons and findings are rows: each code in one place, thresholds by name, causes before consequences, one door."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

from rig.evaluation.inspection import thresholds as table
from rig.findings import findings
from rig.pins import isolation
from rig.soundness import soundness
from rig.soundness.rule import in_order_of_cause

ROOT = Path(__file__).parent.parent.parent
SOUNDNESS, FINDINGS, PINS = ROOT / "rig" / "soundness", ROOT / "rig" / "findings", ROOT / "rig" / "pins"
INSPECTION = ROOT / "rig" / "evaluation" / "inspection"
NO_RULES = {"scopes.py", "limit_sense.py", "seating.py", "witness.py", "comparison.py", "ceiling.py"}
NO_RULES |= {"neighbours.py", "no_turn.py", "places.py", "rule.py", "pattern.py", "__init__.py"}
ROWS = ("Rule", "Pattern")
BUILT = ("Reason", "Finding")
RULE_FILES = sorted(path for room in (SOUNDNESS, FINDINGS) for path in room.rglob("*.py") if path.name not in NO_RULES)
WIRING_FILES = [PINS / "isolation.py", PINS / "map_check.py"]
SHARED = [*sorted(INSPECTION.glob("[a-z]*.py")), SOUNDNESS / "rule.py"]
MAY_STAND = {0, 1, 2, 3}  # a sign, a count of what has two or three sides; no threshold


def parsed(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def rows(path: Path) -> Iterator[dict[str, ast.expr]]:
    """The keyword arguments of every row that a file builds."""
    for node in ast.walk(parsed(path)):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in ROWS:
            yield {str(word.arg): word.value for word in node.keywords}


def code_of(row: dict[str, ast.expr]) -> str:
    code = row["code"]
    assert isinstance(code, ast.Constant) and isinstance(code.value, str)
    return code.value


def test_each_code_is_a_row_in_exactly_one_place() -> None:
    """A code, its check and what it spoils stand together, in one row of one file."""
    seen: dict[str, str] = {}
    for path in [*RULE_FILES, *WIRING_FILES]:
        for row in rows(path):
            code = code_of(row)
            assert code not in seen, f"{code} stands in {seen[code]} and in {path.name}"
            seen[code] = path.name
            assert "check" in row and ("spoils" in row or "prior" in row), code
    wiring = {rule.code for rule in isolation.RULES}
    assert wiring == set(soundness.WIRING)
    assert set(seen) == {*soundness.BY_CODE, *findings.BY_CODE, *wiring, isolation.FORBIDDEN.code}


def test_no_check_builds_a_reason_or_a_finding_past_its_row() -> None:
    """Only a row makes a Reason; a Finding besides is the one that says that nothing was found."""
    for path in RULE_FILES:
        built = [
            node.func.id
            for node in ast.walk(parsed(path))
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in ("Reason", "Finding")
        ]
        assert built == (["Finding"] if path.name == "findings.py" else []), path.name


MADE_ELSEWHERE = {  # file -> the only codes that it may build by itself; "" stands for those of a record or an event
    "rig/soundness/limit_sense.py": {"limit-angle-unclear", "limit-condition-differs"},
    "rig/review/witness/awaiting.py": {"adapter-fault"},
    "rig/findings/findings.py": {"no-fault-found"},
    "rig/soundness/rule.py": {""},
    "rig/findings/pattern.py": {""},
    "rig/review/witness/given_reasons.py": {"check-standard-out", "instrument-out-of-tolerance", ""},
}


def test_no_room_builds_a_reason_or_a_finding_of_its_own() -> None:
    """The search for pins, the steps and the gates say what they find in the words of the one row of its code."""
    found: dict[str, set[str]] = {}
    for room in ("rig", "sequences"):
        for path in sorted((ROOT / room).rglob("*.py")):
            for node in ast.walk(parsed(path)):
                if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in BUILT:
                    code = {str(word.arg): word.value for word in node.keywords}.get("code")
                    found.setdefault(str(path.relative_to(ROOT)), set()).update(codes_of(code, path))
    assert found == MADE_ELSEWHERE
    codes = [code for names in found.values() for code in names if code]
    rows_of_all = {*soundness.BY_CODE, *findings.BY_CODE, *soundness.WIRING, isolation.FORBIDDEN.code}
    assert len(codes) == len(set(codes)) and not rows_of_all & set(codes)


def codes_of(code: ast.expr | None, path: Path) -> set[str]:
    """Codes that stand in the call, or in constants of its module; "" for one that is read from somewhere."""
    if isinstance(code, ast.Constant):
        return {str(code.value)}
    if isinstance(code, ast.IfExp):
        return codes_of(code.body, path) | codes_of(code.orelse, path)
    if not isinstance(code, ast.Name):
        return {""}
    tables = (node for node in parsed(path).body if isinstance(node, ast.Assign))
    known = [pair for node in tables for target in node.targets for pair in pairs_of(target, node.value)]
    return {value for name, value in known if name == code.id} or {""}


def pairs_of(target: ast.expr, value: ast.expr) -> list[tuple[str, str]]:
    """(name, text) of an assignment of texts, one by one or as a row."""
    if isinstance(target, ast.Tuple) and isinstance(value, ast.Tuple):
        return [pair for one, text in zip(target.elts, value.elts, strict=True) for pair in pairs_of(one, text)]
    named = isinstance(target, ast.Name) and isinstance(value, ast.Constant)
    return [(ast.unparse(target), str(ast.literal_eval(value)))] if named else []


@pytest.mark.parametrize("path", [*RULE_FILES, *SHARED], ids=lambda path: f"{path.parent.name}/{path.name}")
def test_rules_compare_with_named_thresholds(path: Path) -> None:
    """No comparison holds a number of its own, save counts up to three."""
    for node in ast.walk(parsed(path)):
        if not isinstance(node, ast.Compare):
            continue
        numbers = [
            part.value
            for side in (node.left, *node.comparators)
            for part in without_calls(side)
            if isinstance(part, ast.Constant) and isinstance(part.value, int | float)
        ]
        literal = [number for number in numbers if not isinstance(number, bool) and number not in MAY_STAND]
        assert not literal, f"{path.name}:{node.lineno} compares with {literal}"


def without_calls(side: ast.expr) -> Iterator[ast.AST]:
    """The parts of a side of a comparison, arguments of calls and indices left out."""
    yield side
    for child in ast.iter_child_nodes(side):
        if isinstance(child, ast.expr) and not isinstance(side, ast.Call | ast.Subscript):
            yield from without_calls(child)


def test_every_threshold_of_the_table_is_used() -> None:
    """A name that nothing compares with is no threshold."""
    files = [path for room in (SOUNDNESS, FINDINGS, INSPECTION) for path in room.rglob("*.py")]
    text = "\n".join(path.read_text(encoding="utf-8") for path in files if path.name != "thresholds.py")
    names = [name for name in vars(table) if name.isupper()]
    assert names and not [name for name in names if name not in text]


def test_causes_are_known_codes_and_come_first() -> None:
    """Every code that a row names exists, and stands before the row in the order in which the rules are asked."""
    order = list(soundness.codes())
    for rule in soundness.RULES:
        for cause in (*rule.caused_by, *rule.blocked_by):
            assert cause in soundness.ORDER, cause
            if cause not in soundness.WIRING:  # those are asked first, by rig/pins
                assert order.index(cause) < order.index(rule.code), f"{rule.code} before its cause {cause}"


@pytest.mark.parametrize(
    ("cause", "consequence"),
    [
        ("channel-saturated", "excitation-level"),
        ("channel-saturated", "excitation-distorted"),
        ("microstep-setting", "point-disturbed"),
        ("leads-not-zeroed", "temperature-unsettled"),
        ("load-setting", "excitation-level"),
    ],
)
def test_the_first_reason_is_the_cause(cause: str, consequence: str) -> None:
    """Who reads the first reason alone does the right thing first."""
    order = list(soundness.codes())
    assert order.index(cause) < order.index(consequence)


def test_causes_in_a_circle_are_refused() -> None:
    """Two rules that name each other have no first one."""
    first, second = soundness.RULES[:2]
    names = type(first).__dataclass_fields__
    made = [
        type(rule)(**{name: getattr(rule, name) for name in names} | {"caused_by": (other.code,)})
        for rule, other in ((first, second), (second, first))
    ]
    with pytest.raises(ValueError, match="circle"):
        in_order_of_cause(made)


def test_findings_do_not_ask_soundness() -> None:
    """A fault of the rig is never explained by a fault of the part, and no finding is built on a reason's file."""
    for path in FINDINGS.rglob("*.py"):
        assert "rig.soundness" not in path.read_text(encoding="utf-8"), path.name


def test_nothing_is_kept_under_a_name_in_a_string() -> None:
    """What was worked out once is a typed field; no object has a memo by string."""
    for path in (ROOT / "rig").rglob("*.py"):
        called = [
            node.func.attr
            for node in ast.walk(parsed(path))
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute)
        ]
        assert "memo" not in called, path
