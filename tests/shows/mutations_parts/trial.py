"""One mutant against the tests that reach it: in a copy of the tree, in a child of its own, until the first failure.

The parent has loaded what is slow to load and nothing of the house, so that a child starts in a blink. A child has a
limit of processor time, not of the clock: a busy machine kills nothing.
"""

from __future__ import annotations

import importlib.util
import os
import re
import resource
import sys
import traceback
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import mutants
import pytest

ALREADY = "ignore:Module already imported:pytest.PytestAssertRewriteWarning"
CAP_S = 20.0  # processor time of the tests of one mutant, as measured without it
LIMIT_TIMES, LIMIT_S = 4.0, 40.0
WARM = (
    *("numpy", "scipy.optimize", "scipy.stats", "scipy.linalg", "scipy.signal", "pandas", "pydantic", "GTC", "h5py"),
    *("click", "rich.console", "hypothesis", "hypothesis.strategies", "hypothesis.extra.numpy", "pytest_timeout"),
    *("_hypothesis_pytestplugin", "xdist.plugin", "anyio"),
)


@dataclass(frozen=True)
class Reach:
    """What was measured: test -> {cpu_s, lines: {file: [line]}}."""

    tests: Mapping[str, Mapping[str, Any]]
    copy: Path

    @cached_property
    def by_line(self) -> dict[tuple[str, int], set[str]]:
        """(file, line) -> tests."""
        found: dict[tuple[str, int], set[str]] = {}
        for test, row in self.tests.items():
            for path, lines in row["lines"].items():
                for line in lines:
                    found.setdefault((path, line), set()).add(test)
        return found

    @cached_property
    def sources(self) -> dict[str, list[str]]:
        """Every file of the rooms, line by line."""
        files = [path for room in mutants.rooms(self.copy) for path in mutants.sources(room, self.copy)]
        return {str(path.relative_to(self.copy)): path.read_text(encoding="utf-8").splitlines() for path in files}

    @cached_property
    def _texts(self) -> dict[str, str]:
        return {}

    def test_text(self, file: str) -> str:
        """The text of a test file."""
        if file not in self._texts:
            self._texts[file] = (self.copy / file).read_text(encoding="utf-8") if (self.copy / file).exists() else ""
        return self._texts[file]

    def select(self, mutant: mutants.Mutant) -> list[str]:
        """Tests that run the changed statement: those of its own room first, the quickest first, then the others of
        their files; then what reaches it from the other rooms."""
        place = mutants.place("\n".join(self.sources[mutant.path]), mutant.line)
        reached = {test for line in place.lines for test in self.by_line.get((mutant.path, line), ())}
        for name in place.names:
            word = re.compile(rf"\b{re.escape(name)}\b")
            for path, lines in self.sources.items():
                for number, text in enumerate(lines, start=1):
                    if word.search(text):
                        reached |= self.by_line.get((path, number), set())
            reached |= {test for test in self.tests if word.search(self.test_text(test.partition("::")[0]))}
        own = {test for test in reached if test.startswith(mutants.ROOMS[mutant.room])}
        files = {test.partition("::")[0] for test in own}
        others = {test for test in self.tests if test.partition("::")[0] in files} - own
        cost = lambda test: (float(self.tests[test]["cpu_s"]), test)  # noqa: E731
        chosen, spent = [], 0.0
        for test in [part for some in (own, others, reached - own - others) for part in sorted(some, key=cost)]:
            spent += float(self.tests[test]["cpu_s"])
            if chosen and spent > CAP_S:
                break
            chosen.append(test)
        return chosen

    def new_files(self, room: str) -> list[str]:
        """Test files of a room that are newer than the measurement: each of their tests is tried."""
        known = {test.partition("::")[0] for test in self.tests}
        folders = [self.copy / name for name in mutants.ROOMS[room]]
        files = [path for folder in folders if folder.is_dir() for path in sorted(folder.glob("test_*.py"))]
        return [name for path in files if (name := str(path.relative_to(self.copy))) not in known]

    def cpu_s(self, tests: Sequence[str]) -> float:
        """Processor time of some tests without a mutant."""
        return sum(float(self.tests[test]["cpu_s"]) for test in tests if test in self.tests)


class Chosen:
    """A pytest plugin: exactly these tests, in this order; tests that are newer than the measurement come last. The
    first that fails is written to a file."""

    def __init__(self, tests: Sequence[str], known: Mapping[str, Any], failed: Path) -> None:
        self.order, self.known, self.failed = {test: i for i, test in enumerate(tests)}, known, failed

    @pytest.hookimpl(trylast=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        items[:] = [item for item in items if item.nodeid in self.order or item.nodeid not in self.known]
        items.sort(key=lambda item: self.order.get(item.nodeid, len(self.order)))

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed and not self.failed.exists():
            self.failed.write_text(report.nodeid, encoding="utf-8")


def warm() -> None:
    """Load what children share."""
    for name in WARM:
        if importlib.util.find_spec(name.partition(".")[0]):
            importlib.import_module(name)


def outcome(mutant: mutants.Mutant, reach: Reach, without: Collection[str] = ()) -> tuple[str, str]:
    """ "killed", "survived" or "out of time", and the test that noticed. without: tests that don't count."""
    tests = [test for test in [*reach.select(mutant), *reach.new_files(mutant.room)] if test not in without]
    if not tests:
        return "survived", ""
    status, failed = _changed(mutant, tests, reach)
    if status == "killed" and not failed and _trial(tests, reach)[0] != "survived":
        raise RuntimeError(f"{mutant.short}: its tests don't run: see {reach.copy / 'trial.log'}")
    return status, failed


def broken(tests: Collection[str], reach: Reach) -> set[str]:
    """Those of the tests that noticed something which fail without any mutant too."""
    left = {test for test in tests if test}
    while left and (failed := _trial(sorted(left), reach)[1]):
        left.discard(failed)
    return {test for test in tests if test} - left


def _changed(mutant: mutants.Mutant, tests: Sequence[str], reach: Reach) -> tuple[str, str]:
    path = reach.copy / mutant.path
    source = path.read_text(encoding="utf-8")
    path.write_text(mutant.code(source), encoding="utf-8")
    try:
        return _trial(tests, reach)
    finally:
        path.write_text(source, encoding="utf-8")


def _trial(tests: Sequence[str], reach: Reach) -> tuple[str, str]:
    """What becomes of these tests in a child, and the first that fails."""
    failed = reach.copy / "failed.txt"
    failed.unlink(missing_ok=True)
    child = os.fork()
    if child == 0:
        _run(tests, reach, failed)
    _, status = os.waitpid(child, 0)
    name = failed.read_text(encoding="utf-8") if failed.exists() else ""
    if os.WIFSIGNALED(status):
        return "out of time", name
    return "survived" if os.WEXITSTATUS(status) == 0 else "killed", name


def _run(tests: Sequence[str], reach: Reach, failed: Path) -> None:
    status = 70
    try:
        limit_s = int(LIMIT_S + LIMIT_TIMES * reach.cpu_s(tests))
        resource.setrlimit(resource.RLIMIT_CPU, (limit_s, limit_s + 5))
        log = os.open(reach.copy / "trial.log", os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        os.dup2(log, 1)
        os.dup2(log, 2)
        os.chdir(reach.copy)
        sys.dont_write_bytecode = True
        sys.path.insert(0, str(reach.copy))
        files = sorted({test.partition("::")[0] for test in tests})
        arguments = ["-x", "-q", "-p", "no:cacheprovider", "-p", "no:xdist", "-o", "addopts=", "-o", "timeout=0"]
        arguments += ["-m", "not slow", "--hypothesis-seed=0", "-W", ALREADY, "--rootdir", str(reach.copy)]
        status = int(pytest.main([*arguments, *files], plugins=[Chosen(tests, reach.tests, failed)]))
    finally:  # the child ends here, whatever the mutant did
        traceback.print_exc()
        sys.stdout.flush()
        os._exit(status)
