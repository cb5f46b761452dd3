"""The arrows between rooms: the contracts of pyproject hold, and no import circle exists anywhere."""

import subprocess
import sys
from pathlib import Path

import grimp

TOP = Path(__file__).parents[2]
LATE = {"scipy", "matplotlib", "typst", "h5py", "pyvisa", "sqlalchemy", "pandas", "GTC"}


def test_the_contracts_of_pyproject_are_kept() -> None:
    """import-linter finds no broken contract."""
    program = "import sys; from importlinter.cli import lint_imports_command as c; sys.argv = ['lint-imports']; c()"
    done = subprocess.run(
        [sys.executable, "-c", program], cwd=TOP, capture_output=True, text=True, timeout=100, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr


def test_no_import_circle() -> None:
    """No module reaches itself by following imports."""
    graph = grimp.build_graph("rig", "drivers", "sequences", cache_dir=None)
    for module in graph.modules:
        for imported in graph.find_modules_directly_imported_by(module):
            assert not graph.chain_exists(importer=imported, imported=module), f"{module} <-> {imported}"


def test_every_init_is_empty() -> None:
    """Packages have no face: what is used is imported from where it stands."""
    for package in ("rig", "drivers", "sequences"):
        for init in (TOP / package).rglob("__init__.py"):
            assert init.read_text().strip() == "", init


def test_the_command_line_loads_nothing_heavy() -> None:
    """Importing the command line pulls in no library that costs more than a blink."""
    code = "import sys, rig.__main__, rig.cli.main; print(' '.join(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], cwd=TOP, capture_output=True, text=True, timeout=60, check=True)
    loaded = {name.split(".")[0] for name in done.stdout.split()}
    assert not loaded & (LATE | {"numpy", "rich", "pydantic"}), loaded & (LATE | {"numpy", "rich", "pydantic"})
