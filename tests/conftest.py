"""For all tests: one thread for small matrices, and who runs what with several workers.

Spinning threads cost small matrices tenfold on two cores; the names must stand before numpy loads, also in children.
Modules marked xdist_group share a run that costs seconds: each stays on one worker. pytest-xdist 3.8 tells groups by a
name that pytest 9.2 no longer lets it write, so the scheduler below reads the mark from the module's text.
"""

import atexit
import os
import re
import shutil
import tempfile
from functools import cache
from pathlib import Path
from typing import Any

import pytest

GROUP = re.compile(r'xdist_group\("(\w+)"\)')

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
os.environ["ANGLEWRIGHT_LOCKS"] = tempfile.mkdtemp(prefix="anglewright-locks-")  # fakes on one link, in two workers
atexit.register(shutil.rmtree, os.environ["ANGLEWRIGHT_LOCKS"], ignore_errors=True)


@cache
def _unit(root: Path, module: str) -> str | None:
    """The group that a module is marked with, or None."""
    found = GROUP.search((root / module).read_text(encoding="utf-8"))
    return None if found is None else found[1]


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """With --dist loadgroup: a marked module is one piece of work, every other test is one of its own."""
    if config.getvalue("dist") != "loadgroup":
        return None
    from xdist.scheduler import LoadScopeScheduling

    class ByMark(LoadScopeScheduling):
        def _split_scope(self, nodeid: str) -> str:
            return _unit(config.rootpath, nodeid.partition("::")[0]) or nodeid

    return ByMark(config, log)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Whole runs first: what takes longest must not begin last."""
    items.sort(key=lambda item: "whole_runs" not in item.path.parts)
