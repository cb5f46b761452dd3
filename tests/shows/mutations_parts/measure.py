"""Which test runs which line, and how long it takes: run once in a copy of the tree, python measure.py OUT ROOM..."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import coverage
import pytest

TOP = Path.cwd()


class Clock:
    """A pytest plugin: names the coverage context after the test and takes its processor time."""

    def __init__(self, watch: coverage.Coverage) -> None:
        self.watch, self.cpu_s, self.failed = watch, {}, set()

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        self.watch.switch_context(item.nodeid)
        start = time.process_time()
        try:
            return (yield)
        finally:
            self.cpu_s[item.nodeid] = time.process_time() - start

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed or report.skipped:
            self.failed.add(report.nodeid)


def main(out: Path, sources: list[str], tests: list[str]) -> int:
    """Run the tests and write {test: {cpu_s, lines: {file: [line]}}} of those that pass."""
    watch = coverage.Coverage(source=sources, data_file=None, config_file=False)
    clock = Clock(watch)
    watch.start()
    arguments = ["-q", "-p", "no:cacheprovider", "-p", "no:xdist", "-o", "addopts=", "-o", "timeout=3000"]
    arguments += ["-m", "not slow", "--hypothesis-seed=0"]
    pytest.main([*arguments, *tests], plugins=[clock])
    watch.stop()
    found: dict[str, dict[str, Any]] = {
        test: {"cpu_s": cpu_s, "lines": {}} for test, cpu_s in clock.cpu_s.items() if test not in clock.failed
    }
    data = watch.get_data()
    for file in data.measured_files():
        path = str(Path(file).relative_to(TOP))
        for line, tests_of_line in data.contexts_by_lineno(file).items():
            for test in tests_of_line:
                if test in found:
                    found[test]["lines"].setdefault(path, []).append(line)
    out.write_text(json.dumps(found), encoding="utf-8")
    print(f"{len(found)} tests measured, {len(clock.failed)} left out (skipped or failing)")
    return 0


if __name__ == "__main__":
    split = sys.argv.index("--")
    raise SystemExit(main(Path(sys.argv[1]), sys.argv[2:split], sys.argv[split + 1 :]))
