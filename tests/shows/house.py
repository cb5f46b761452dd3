"""The house in plain words, with figures: python tests/shows/house.py [--quick] [--only WORD]

Boxes on a sheet, size of each room, what nothing reaches, sources that lead nowhere, names, commands, start-up times,
README's commands in an empty clone. Each check prints its figures and says ok or SHORT; exit status 1 when one falls
short. --quick leaves out what needs a clone or ten thousand runs.
"""

from __future__ import annotations

import argparse
import ast
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
import tomllib
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

TOP = Path(__file__).parents[2]
Shown = Iterator[tuple[bool, str]]
ROOTS = ("rig", "drivers", "sequences")
MOST_BOXES, MOST_LINES = 12, 300
FLAT = {  # lists of like things, which may be long
    "rig": "the rooms of the house",
    "rig/cli/pages": "pages of the terminal",
    "drivers": "families of drivers",
    "drivers/simulated/instruments": "simulated instruments",
    "sequences": "sequences",
    "sequences/steps": "steps",
    "rig/records/index/migrations/versions": "changes of the database",
}
FRAMEWORKS = ",".join(  # decorators of a framework that calls what it decorates: click, FastAPI, pydantic
    ("@*.command*", "@*.group*", "@router.*", "@app.*", "@field_validator*", "@model_validator*")
)
BEFORE = {"nodes": 411_407, "lines": 53_772}  # commit 16d317d of 2026-11-30, lines of 120 columns
LEAST_FALL = 0.20
PAGE = re.compile(r"design page|\b([\w-]+\.md)\b")
MANUALS = re.compile(r"grbl|commands\.md|interface\.md|settings\.md")  # pages of a cited manual
IRREGULAR = (
    "told said asked kept taken shown given found drawn flown made held seen done gone left met sent built known heard"
)
PARTICIPLE = re.compile(r"_*(" + "|".join(IRREGULAR.split()) + r"|[a-z]+(?<!e)(?<!n)ed)$")
NOUNS = {"observed"}  # the run that was observed: the noun of rig/observed.py, a field of Evaluated and of its layers
VERBS = {"_need", "_seed", "_feed", "_speed", "seed", "speed", "need", "feed", "embed", "exceed", "proceed", "heed"}


def sources() -> list[Path]:
    """Every module of the product."""
    return sorted(path for root in ROOTS for path in (TOP / root).rglob("*.py"))


def relative(path: Path) -> str:
    return str(path.relative_to(TOP))


# ---- boxes and sizes ----------------------------------------------------------------------------------------------


def box_counts() -> dict[str, int]:
    """Folder -> its modules and packages, tables of data left out."""
    counts = {}
    for folder in sorted({path.parent for path in sources()}):
        inside = [one for one in folder.iterdir() if one.suffix == ".py" and one.name != "__init__.py"]
        inside += [one for one in folder.iterdir() if one.is_dir() and any(one.glob("**/*.py"))]
        counts[relative(folder)] = len(inside)
    return counts


def line_counts() -> dict[str, int]:
    """File -> its lines."""
    return {relative(path): len(path.read_text().splitlines()) for path in sources()}


def boxes() -> Shown:
    """At most twelve boxes (modules or packages) on a sheet, two levels below a room, no file over 300 lines."""
    counts = box_counts()
    crowded = {name: n for name, n in counts.items() if n > MOST_BOXES and name not in FLAT}
    yield not crowded, f"{len(counts)} sheets, more than {MOST_BOXES} boxes on: {crowded or 'none'}"
    deep = [name for name in counts if name.count("/") > 3 and name not in FLAT]
    yield not deep, f"deeper than two levels below a room: {deep or 'none'}"
    long = {name: n for name, n in line_counts().items() if n > MOST_LINES}
    yield not long, f"files over {MOST_LINES} lines: {long or 'none'}"


def nodes_of(text: str) -> int:
    """AST nodes, docstrings kept."""
    return sum(1 for _ in ast.walk(ast.parse(text)))


def sizes() -> Shown:
    """AST nodes of rig, drivers and sequences, docstrings kept, fall by 20 % (30 % is the aim)."""
    nodes: Counter[str] = Counter()
    lines: Counter[str] = Counter()
    for path in sources():
        text = path.read_text()
        room = "/".join(path.relative_to(TOP).parts[:2]) if len(path.relative_to(TOP).parts) > 2 else path.parent.name
        nodes[room] += nodes_of(text)
        lines[room] += len(text.splitlines())
    for room, n in nodes.most_common():
        print(f"        {room:<24} {n:>7} nodes {lines[room]:>6} lines")
    total, all_lines = sum(nodes.values()), sum(lines.values())
    fall = 1.0 - total / BEFORE["nodes"]
    yield (
        fall >= LEAST_FALL,
        (
            f"{total} nodes, {all_lines} lines; before {BEFORE['nodes']} and {BEFORE['lines']}: "
            f"{100 * fall:.1f} % fewer nodes"
        ),
    )
    lengths, branches = [], []
    for path in sources():
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                lengths.append((node.end_lineno or node.lineno) - node.lineno + 1)
                branches.append(complexity(node))
    lengths.sort()
    branches.sort()
    p95 = lengths[int(0.95 * len(lengths))], branches[int(0.95 * len(branches))]
    mean = sum(branches) / len(branches)
    yield (
        p95[0] <= 25 and p95[1] <= 10,
        (f"{len(lengths)} functions: p95 {p95[0]} lines (25), complexity mean {mean:.2f}, p95 {p95[1]} (3.6, 10)"),
    )


def complexity(function: ast.AST) -> int:
    """McCabe's number of a function: 1 and one more for each branch."""
    kinds = (ast.If, ast.For, ast.While, ast.ExceptHandler, ast.IfExp, ast.comprehension, ast.Assert, ast.match_case)
    found = sum(isinstance(node, kinds) for node in ast.walk(function))
    return 1 + found + sum(len(n.values) - 1 for n in ast.walk(function) if isinstance(n, ast.BoolOp))


# ---- reach, sources, names ----------------------------------------------------------------------------------------


def reach() -> Shown:
    """Every definition is reached by a command, a page or a step (vulture; judged ones in house_reached.toml)."""
    judged = tomllib.loads((Path(__file__).parent / "house_reached.toml").read_text(encoding="utf-8"))["reached"]
    done = subprocess.run(
        [sys.executable, "-m", "vulture", *ROOTS, "--min-confidence", "60", "--ignore-decorators", FRAMEWORKS],
        cwd=TOP,
        capture_output=True,
        text=True,
        check=False,
    )
    unused = []
    for row in done.stdout.splitlines():
        found = re.match(r"(\S+?):(\d+): unused (\w+) '(\w+)'", row)
        if found and found[4] not in judged and found[3] != "attribute":
            unused.append(f"{found[1]}:{found[2]} {found[3]} {found[4]}")
    for one in unused:
        print(f"        {one}")
    yield not unused, f"{len(unused)} definitions that nothing reaches, {len(judged)} judged as reached by a framework"


def references() -> Shown:
    """Every page that a comment or a docstring names stands in the repository."""
    there = {path.name for path in TOP.rglob("*.md") if ".venv" not in path.parts}
    lost = []
    for path in sources():
        for n, line in enumerate(path.read_text().splitlines(), start=1):
            for found in PAGE.finditer(line):
                if (found[1] is None or found[1] not in there) and not MANUALS.search(line):
                    lost.append(f"{relative(path)}:{n}: {line.strip()[:90]}")
    for one in lost:
        print(f"        {one}")
    yield not lost, f"{len(lost)} lines name a page outside the repository"


def names_its_class(path: Path) -> bool:
    """Whether a module is called by the class that it holds (evaluated.py: Evaluated), or by a word of the commands."""
    classes = [node.name for node in ast.parse(path.read_text()).body if isinstance(node, ast.ClassDef)]
    return path.stem == "known" or any(name.lower().startswith(path.stem) for name in classes)


def bare_participles() -> list[str]:
    """Functions and modules named by a bare participle."""
    bare = [relative(path) for path in sources() if PARTICIPLE.fullmatch(path.stem) and not names_its_class(path)]
    for path in sources():
        for node in ast.walk(ast.parse(path.read_text())):
            function = isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
            if function and node.name not in VERBS | NOUNS and PARTICIPLE.match(node.name):
                bare.append(f"{relative(path)}:{node.lineno} {node.name}")
    return bare


def names() -> Shown:
    """No function and no module is named by a bare participle."""
    bare = bare_participles()
    for one in bare:
        print(f"        {one}")
    yield not bare, f"{len(bare)} functions and modules named by a bare participle"


# ---- commands -----------------------------------------------------------------------------------------------------


def commands() -> Shown:
    """At most ten words; the page of commands is what the code makes (its examples are executed by the tests)."""
    from rig.cli.main import WORDS
    from rig.cli.reference import entries, page

    listed = [word.name for word in WORDS if word.moment]
    yield len(listed) <= 10, f"{len(listed)} words: {', '.join(listed)}; {len(list(entries()))} commands"
    fresh = (TOP / "rig" / "cli" / "REFERENCE.md").read_text(encoding="utf-8") == page()
    yield fresh, "rig/cli/REFERENCE.md is what the code makes"


def seconds(words: list[str], env: dict[str, str], times: int = 5) -> float:
    """The quickest of some calls of the command."""
    best = 1e9
    for _ in range(times):
        start = time.perf_counter()
        subprocess.run([sys.executable, "-m", "rig", *words], env=env, capture_output=True, check=True)
        best = min(best, time.perf_counter() - start)
    return best


def many_runs(home: Path, count: int) -> None:
    """A home with so many copies of one kept run; the large files are links to the same bytes."""
    source = next((TOP / "fixtures" / "reference" / "runs" / "schema-1").iterdir())
    first = home / "first"
    shutil.copytree(source, first)
    for n in range(count):
        folder = (
            home / "runs" / f"202601{1 + n // 86400:02d}-{n // 3600 % 24:02d}{n // 60 % 60:02d}{n % 60:02d}-{n:04x}"
        )
        folder.mkdir(parents=True)
        for file in first.iterdir():
            os.link(file, folder / file.name)


def start_up() -> Shown:
    """`unit` with 10 000 runs in the home takes at most six times --help."""
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder) / "home"
        many_runs(home, 10_000)
        env = os.environ | {"ANGLEWRIGHT_HOME": str(home), "PYTHONDONTWRITEBYTECODE": ""}
        help_s, unit_s = seconds(["--help"], env), seconds(["unit"], env)
    ratio = unit_s / help_s
    yield ratio <= 6.0, f"unit {unit_s:.2f} s, --help {help_s:.2f} s: ratio {ratio:.1f}"


def clone() -> Shown:
    """README: one line sets up and runs the main job, one sets up and passes the tests, in an empty clone and home."""
    with tempfile.TemporaryDirectory() as folder:
        work = Path(folder) / "anglewright"
        subprocess.run(["git", "clone", "-q", str(TOP), str(work)], check=True)
        (Path(folder) / "home").mkdir()
        env = {"PATH": os.environ["PATH"], "HOME": str(Path(folder) / "home"), "LANG": "C.UTF-8"}
        blocks = re.findall(r"^```\w*\n(.*?)^```", (work / "README.md").read_text(), re.MULTILINE | re.DOTALL)[:2]
        for name, block in zip(("main job", "tests"), blocks, strict=True):
            lines = [line for line in block.splitlines() if line.strip()]
            yield len(lines) == 1, f"{name}: {len(lines)} line(s)"
            start = time.monotonic()
            done = subprocess.run(
                ["bash", "-ec", block], cwd=work, env=env, capture_output=True, text=True, check=False
            )
            took = time.monotonic() - start
            last = (done.stdout.strip().splitlines() or [""])[-1]
            yield (
                done.returncode == 0,
                f"{name}: exit status {done.returncode} in {took / 60:.1f} min; last line: {last}",
            )


HELD = ("references", "commands")  # what must hold in every change; the other figures are told by the whole show
CHECKS: tuple[tuple[str, Callable[[], Shown], bool], ...] = (
    ("boxes", boxes, True),
    ("sizes", sizes, True),
    ("reach", reach, True),
    ("references", references, True),
    ("names", names, True),
    ("commands", commands, True),
    ("start-up", start_up, False),
    ("clone", clone, False),
)


def main() -> int:
    """Every check; 1 when one falls short."""
    reader = argparse.ArgumentParser(description=__doc__)
    reader.add_argument("--quick", action="store_true")
    reader.add_argument("--only", default="")
    reader.add_argument("--held", action="store_true", help=f"only {', '.join(HELD)}")
    options = reader.parse_args()
    short = 0
    for name, check, quick in CHECKS:
        if options.only not in name or (options.quick and not quick) or (options.held and name not in HELD):
            continue
        print(f"{name}: {(check.__doc__ or '').strip()}", flush=True)
        for fine, figures in check():
            short += not fine
            print(f"  {'ok   ' if fine else 'SHORT'} {figures}", flush=True)
    print(f"{short} fell short" if short else "all shown")
    return 1 if short else 0


if __name__ == "__main__":
    raise SystemExit(main())
