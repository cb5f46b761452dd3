"""Do the tests notice a changed operator? python tests/shows/mutations.py [--rooms R ...] [--count N] [--again]

Draws 300 mutants with three seeds in the rooms that make figures and verdicts (signal, resolver, uncertainty,
evaluation, diagnosis, pins), runs for each the tests of these rooms that reach it, and asks that nine of ten are
noticed. What survives is listed with the reason for which it may (mutations_survivors.toml), or with none. An hour or
two on one processor, in a copy of the tree; what was tried is kept in --work and not tried again, so that rooms may be
tried one after the other (--rooms: with the tests of these rooms alone). --again tries survivors anew, after tests
were added. Figures of the last whole run: tests/shows/results.
"""

from __future__ import annotations

import argparse
import compileall
import hashlib
import json
import os
import py_compile
import shutil
import subprocess
import sys
import tempfile
import time
import tomllib
from collections import Counter
from pathlib import Path

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
sys.path.insert(0, str(Path(__file__).parent / "mutations_parts"))

import mutants
import trial
from mutants import TOP, Mutant

LEAST_SHARE = 0.90
COPIED = ("rig", "drivers", "sequences", "fixtures", "hardware", "tests", "pyproject.toml", "README.md")
REASONS = Path(__file__).with_name("mutations_survivors.toml")


def copy_tree(work: Path) -> Path:
    """A fresh copy of the tree, compiled so that a changed file is never taken for the old one."""
    copy = work / "copy"
    shutil.rmtree(copy, ignore_errors=True)
    copy.mkdir(parents=True)
    for name in COPIED:
        if (TOP / name).is_dir():
            shutil.copytree(TOP / name, copy / name, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            shutil.copy2(TOP / name, copy / name)
    mode = py_compile.PycInvalidationMode.CHECKED_HASH
    for name in ("rig", "drivers", "sequences"):
        compileall.compile_dir(str(copy / name), quiet=2, invalidation_mode=mode)
    return copy


def tree_hash(copy: Path) -> str:
    """Of everything that a test may run."""
    made = hashlib.sha256()
    for path in sorted(copy.rglob("*.py")):
        made.update(str(path.relative_to(copy)).encode() + path.read_bytes())
    return made.hexdigest()[:16]


def measure(work: Path, copy: Path, rooms: list[str], old_map: bool) -> trial.Reach:
    """Which test runs which line; measured once for a state of the tree (old_map: the last one will do)."""
    name = f"reach-{'-'.join(rooms)}"
    out = work / f"{name}-{tree_hash(copy)}.json"
    before = sorted(work.glob(f"{name}-*.json"), key=lambda path: path.stat().st_mtime)
    if old_map and before:
        out = before[-1]
    if not out.exists():
        tests = sorted({f for room in rooms for f in mutants.ROOMS[room] if (copy / f).exists()})
        sources = [f"rig/{room}" for room in mutants.rooms()]
        program = [sys.executable, str(copy / "tests/shows/mutations_parts/measure.py")]
        surroundings = {**os.environ, "PYTHONPATH": str(copy), "PYTHONDONTWRITEBYTECODE": "1"}
        command = [*program, str(out), *sources, "--", *tests]
        subprocess.run(command, cwd=copy, env=surroundings, check=True)
    return trial.Reach(json.loads(out.read_text(encoding="utf-8")), copy)


def reason_of(mutant: Mutant) -> str:
    """Why a mutant may survive; "" where nobody has said."""
    rows = tomllib.loads(REASONS.read_text(encoding="utf-8"))["survivor"] if REASONS.exists() else []
    for row in rows:
        if row["path"] == mutant.path and row["text"] in mutant.text and row["operator"] in mutant.operator:
            return str(row["reason"])
    return ""


class Register:
    """What was tried, one line each in a file: nothing is tried twice while the file of the mutant is the same."""

    def __init__(self, path: Path, copy: Path) -> None:
        self.path, self.copy, self.rows = path, copy, {}
        for line in path.read_text(encoding="utf-8").splitlines() if path.exists() else ():
            row = json.loads(line)
            self.rows[row["key"]] = (row["outcome"], row["test"])

    def key(self, mutant: Mutant) -> str:
        """Which mutant of which state of its file."""
        digest = hashlib.sha256((self.copy / mutant.path).read_bytes()).hexdigest()[:12]
        return f"{mutant.path} {digest} {mutant.operator} {mutant.occurrence}"

    def get(self, mutant: Mutant) -> tuple[str, str]:
        """Outcome and the test that noticed; ("", "") for one that was not tried."""
        found: tuple[str, str] = self.rows.get(self.key(mutant), ("", ""))
        return found

    def put(self, mutant: Mutant, outcome: tuple[str, str]) -> None:
        """Keep an outcome."""
        key = self.key(mutant)
        self.rows[key] = outcome
        with self.path.open("a", encoding="utf-8") as file:
            row = {"key": key, "outcome": outcome[0], "test": outcome[1], **mutant.to_dict()}
            file.write(json.dumps(row) + "\n")


def try_all(drawn: list[Mutant], reach: trial.Reach, register: Register, again: bool) -> None:
    """Every mutant that was not tried yet; a test that fails without a mutant too is taken out, and tried without."""
    trial.warm()
    for number, mutant in enumerate(drawn, start=1):
        before, start = register.get(mutant)[0], time.monotonic()
        if not before or (again and before == "survived"):
            register.put(mutant, trial.outcome(mutant, reach))
            found = register.get(mutant)[0]
            print(f"{number:>4} {found:<11} {time.monotonic() - start:5.1f} s {mutant.short}", flush=True)
    broken = trial.broken({register.get(mutant)[1] for mutant in drawn}, reach)
    for mutant in drawn:
        if register.get(mutant)[1] in broken:
            register.put(mutant, trial.outcome(mutant, reach, broken))


def report(results: list[tuple[Mutant, str]]) -> bool:
    """The share of each room, and the survivors; True when nine of ten were noticed."""
    tried, noticed = Counter(m.room for m, _ in results), Counter(m.room for m, found in results if found != "survived")
    print(f"{'room':<14}{'tried':>7}{'noticed':>9}{'share':>8}")
    for room in tried:
        print(f"{room:<14}{tried[room]:>7}{noticed[room]:>9}{noticed[room] / tried[room]:>8.1%}")
    survivors = [m for m, found in results if found == "survived"]
    for mutant in survivors:
        print(f"survived {mutant.short}\n         {reason_of(mutant) or 'NO REASON GIVEN'}")
    share = noticed.total() / max(1, tried.total())
    always = [
        found for m, found in results if any(m.path == path and text in m.text for path, _, text in mutants.ALWAYS)
    ]
    fine = share >= LEAST_SHARE and "survived" not in always
    print(f"{'ok   ' if fine else 'SHORT'} {noticed.total()} of {tried.total()} noticed ({share:.1%}), 90 % are asked")
    return fine


def main() -> int:
    """Every mutant; 1 when fewer than nine of ten are noticed."""
    reader = argparse.ArgumentParser(description=__doc__)
    reader.add_argument("--rooms", nargs="*", default=mutants.rooms())
    reader.add_argument("--count", type=int, default=mutants.COUNT)
    reader.add_argument("--again", action="store_true")
    reader.add_argument("--old-map", action="store_true")
    reader.add_argument("--work", type=Path, default=Path(tempfile.gettempdir()) / "anglewright-mutations")
    options = reader.parse_args()
    copy = copy_tree(options.work)
    pool = [mutant for room in mutants.rooms() for mutant in mutants.every_mutant(room)]
    drawn = [mutant for mutant in mutants.draw(pool, count=options.count) if mutant.room in options.rooms]
    print(f"{len(pool)} mutants possible, {len(drawn)} drawn in {', '.join(options.rooms)}", flush=True)
    register = Register(options.work / "tried.jsonl", copy)
    if any(not register.get(mutant)[0] for mutant in drawn) or options.again:
        reach = measure(options.work, copy, list(options.rooms), options.old_map)
        try_all(drawn, reach, register, options.again)
    results = [(mutant, register.get(mutant)[0]) for mutant in drawn]
    return 0 if report(results) else 1


if __name__ == "__main__":
    raise SystemExit(main())
