"""Mutants: one changed operator, number or word in one line of the rooms that make figures and verdicts.

Operators are the mutation tool's, a fixed list. Left out are changes that mean nothing here: bit operations (types are
joined with |), boundaries of comparisons (`<` to `<=` on floats differs where two floats are equal) and removed
decorators (frozen data), and what stands in a decorator.
"""

from __future__ import annotations

import ast
import hashlib
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from cosmic_ray.ast import ast_nodes, get_ast
from cosmic_ray.mutating import mutate_code
from cosmic_ray.plugins import get_operator

TOP = Path(__file__).parents[3]
SEEDS = (20261201, 20261202, 20261203)
COUNT = 300

ROOMS: Mapping[str, tuple[str, ...]] = {
    "signal": ("tests/signal", "tests/properties", "tests/references"),
    "resolver": ("tests/resolver", "tests/references"),
    "uncertainty": ("tests/uncertainty", "tests/properties", "tests/references"),
    "evaluation": ("tests/evaluation",),
    "soundness": ("tests/soundness", "tests/diagnosis"),
    "findings": ("tests/findings", "tests/diagnosis"),
    "pins": (
        "tests/pins",
        "tests/diagnosis/test_soundness_dc.py",
        "tests/records/elsewhere/test_pairs.py",
        "tests/jobs/test_analyse_pairs.py",
        "tests/jobs/test_hand_probing.py",
        "tests/sequences/test_step_pin_search.py",
    ),
}
"""Room of rig -> its own tests. Those of the other rooms are tried after them."""

OPERATORS = tuple(
    f"core/{name}"
    for name in (
        *(f"ReplaceBinaryOperator_{change}" for change in ("Add_Sub", "Sub_Add", "Mul_Div", "Div_Mul", "Pow_Mul")),
        *(f"ReplaceBinaryOperator_{change}" for change in ("FloorDiv_Mul", "Mod_Mul")),
        *(f"ReplaceComparisonOperator_{change}" for change in ("Eq_NotEq", "NotEq_Eq", "Is_IsNot", "IsNot_Is")),
        *(f"ReplaceComparisonOperator_{change}" for change in ("Lt_GtE", "LtE_Gt", "Gt_LtE", "GtE_Lt")),
        *(f"ReplaceUnaryOperator_{change}" for change in ("USub_UAdd", "Delete_Not")),
        *("AddNot", "ReplaceAndWithOr", "ReplaceOrWithAnd", "ReplaceTrueWithFalse", "ReplaceFalseWithTrue"),
        *("ReplaceBreakWithContinue", "ReplaceContinueWithBreak", "NumberReplacer"),
    )
)
ALWAYS = (("rig/evaluation/by_hand/turn.py", "core/ReplaceBinaryOperator_Mul_Div", "0.1 *"),)
"""Mutants that no test noticed once: file, operator, and what stands in the line."""


@dataclass(frozen=True, slots=True, order=True)
class Mutant:
    """One change. occurrence: of the operator in the file; line: counted from 1; text: the line as it stands."""

    room: str
    path: str
    operator: str
    occurrence: int
    line: int
    text: str

    @property
    def short(self) -> str:
        """As it is printed."""
        return f"{self.path}:{self.line} {self.operator.removeprefix('core/')}: {self.text}"

    def to_dict(self) -> dict[str, object]:
        """As JSON-ready data."""
        return asdict(self)

    def code(self, source: str) -> str:
        """The file with the change."""
        changed: str | None = mutate_code(source, get_operator(self.operator)(), self.occurrence)
        if changed is None:
            raise LookupError(f"{self.short}: no such change")
        return changed


def rooms(top: Path = TOP) -> list[str]:
    """The rooms that are there."""
    return [room for room in ROOMS if (top / "rig" / room).is_dir()]


def sources(room: str, top: Path = TOP) -> list[Path]:
    """The files of a room."""
    return [path for path in sorted((top / "rig" / room).rglob("*.py")) if path.name != "__init__.py"]


def every_mutant(room: str, top: Path = TOP) -> Iterator[Mutant]:
    """All changes that the operators can make in a room."""
    for path in sources(room, top):
        source = path.read_text(encoding="utf-8")
        tree, lines, decorated = get_ast(source), source.splitlines(), set(_decorators(source))
        for name in OPERATORS:
            operator = get_operator(name)()
            places = [place for node in ast_nodes(tree) for place in operator.mutation_positions(node)]
            for occurrence, ((line, column), _) in enumerate(places):
                if line not in decorated and not lines[line - 1][column:].startswith("*,"):  # a mark of parameters
                    yield Mutant(room, str(path.relative_to(top)), name, occurrence, line, lines[line - 1].strip())


def _decorators(source: str) -> Iterator[int]:
    for node in ast.walk(ast.parse(source)):
        for decorator in getattr(node, "decorator_list", ()):
            yield from range(decorator.lineno, decorator.end_lineno + 1)


def draw(pool: Iterable[Mutant], seeds: Sequence[int] = SEEDS, count: int = COUNT) -> list[Mutant]:
    """`count` different mutants, the same number by every seed, and those that are always tried.

    Each seed gives every mutant a number by a hash of what it changes, and draws the lowest: as good as random, and a
    line that is added elsewhere does not draw others.
    """
    names: dict[Mutant, str] = {}
    same: Counter[str] = Counter()
    for mutant in pool:
        name = f"{mutant.path} {mutant.operator} {mutant.text}"
        names[mutant] = f"{name} {same[name]}"
        same[name] += 1
    drawn: list[Mutant] = []
    for seed in seeds:
        left = sorted(set(names) - set(drawn), key=lambda m: hashlib.sha256(f"{seed} {names[m]}".encode()).digest())
        drawn += left[: count // len(seeds)]
    for path, operator, text in ALWAYS:
        drawn += [m for m in names if m.path == path and m.operator == operator and text in m.text and m not in drawn]
    return drawn


@dataclass(frozen=True, slots=True)
class Place:
    """The statement that a mutant changes: its lines, and the names that it gives at the top of the file or of a class
    (then its effect shows where these names are used)."""

    lines: range
    names: frozenset[str]


def place(source: str, line: int) -> Place:
    """The smallest statement around a line, of a compound one its head alone."""
    best, inside, names = range(line, line + 1), False, frozenset[str]()
    stack: list[tuple[ast.AST, bool]] = [(ast.parse(source), False)]
    while stack:
        node, within = stack.pop()
        for child in ast.iter_child_nodes(node):
            function = isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef)
            if isinstance(child, ast.stmt):
                if not child.lineno <= line <= (child.end_lineno or line):
                    continue
                body = getattr(child, "body", None)
                last = (body[0].lineno - 1) if body else (child.end_lineno or line)
                if line <= max(last, child.lineno):
                    best, inside = range(child.lineno, max(last, child.lineno) + 1), within or function
                    names = frozenset(_names(child))
                if function and line <= last:
                    best = range(child.lineno, (child.end_lineno or line) + 1)  # defaults: the whole function
            stack.append((child, within or function))
    return Place(best, frozenset() if inside else names)


def _names(statement: ast.stmt) -> Iterator[str]:
    targets = statement.targets if isinstance(statement, ast.Assign) else [getattr(statement, "target", None)]
    for target in targets:
        for node in ast.walk(target) if target is not None else ():
            if isinstance(node, ast.Name):
                yield node.id
