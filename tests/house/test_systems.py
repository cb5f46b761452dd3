"""What only one kind of operating system has stands in rig/system.py, so that nothing else shuts another one out."""

import ast
from pathlib import Path

import pytest

from rig.system import take_lock

TOP = Path(__file__).parents[2]
OF_ONE_SYSTEM = {"fcntl", "termios", "tty", "pty", "pwd", "grp", "msvcrt", "winreg"}


def test_modules_of_one_system_are_imported_in_one_file() -> None:
    """fcntl, termios and their like: rig/system.py alone."""
    found = set()
    for path in (p for root in ("rig", "drivers", "sequences") for p in (TOP / root).rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text())):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            if OF_ONE_SYSTEM & {name.partition(".")[0] for name in names}:
                found.add(str(path.relative_to(TOP)))
    assert found == {"rig/system.py"}


def test_a_lock_that_another_holds_is_refused_at_once(tmp_path: Path) -> None:
    """Exclusive against exclusive and shared; shared beside shared; given back when the file is closed."""
    file = tmp_path / "lock"
    with file.open("w") as first:
        take_lock(first)
        with file.open("w") as second, pytest.raises(BlockingIOError):
            take_lock(second, wait=False)
    with file.open("w") as first, file.open("w") as second, file.open("w") as third:
        take_lock(first, wait=False, shared=True)
        take_lock(second, wait=False, shared=True)
        with pytest.raises(BlockingIOError):
            take_lock(third, wait=False)
