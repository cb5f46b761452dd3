"""Where description files and the user's data are: names to paths. Standard library only: a list must be there at once.

Finding a file: a path, then ./, then the home, then the packaged ones.
"""

from __future__ import annotations

import difflib
import os
from pathlib import Path

from rig.errors import UsageError

FOLDERS = {
    "part": "parts",
    "holder": "holders",
    "bench": "benches",
    "world": "worlds",
    "soak": "soaks",
    "instrument": "instruments",
}


def default_home() -> Path:
    """The user's data folder: $ANGLEWRIGHT_HOME, else the platform's place for data."""
    if set_home := os.environ.get("ANGLEWRIGHT_HOME"):
        return Path(set_home)
    if base := os.environ.get("XDG_DATA_HOME"):
        return Path(base) / "anglewright"
    return Path.home() / ".local" / "share" / "anglewright"


def packaged_fixtures() -> Path:
    """The fixtures that travel in the wheel, or those of the checkout in an editable install."""
    shipped = Path(__file__).parents[1] / "_data" / "fixtures"
    return shipped if shipped.is_dir() else Path(__file__).parents[2] / "fixtures"


def find(kind: str, name: str) -> Path:
    """The file behind a name. Raises UsageError that lists where it looked and the nearest known names."""
    folder = FOLDERS[kind]
    given = Path(name)
    candidates = [given] if given.suffix == ".toml" else []
    for base in (Path("."), default_home() / folder, packaged_fixtures() / folder):
        candidates.append(base / (name if name.endswith(".toml") else f"{name}.toml"))
    for candidate in candidates:
        if candidate.is_file():
            return candidate
    near = difflib.get_close_matches(given.stem, known_names(kind), n=3, cutoff=0.4)
    hint = f"Did you mean {' or '.join(near)}?" if near else f"Known: {', '.join(known_names(kind)) or 'none'}."
    raise UsageError(
        f"no {kind} called {name!r}: looked in ./, {default_home() / folder} and the packaged {folder}.",
        next_action=hint,
    )


def known_names(kind: str) -> list[str]:
    """Names of the home and of the packaged files of a kind."""
    folder = FOLDERS[kind]
    places = (default_home() / folder, packaged_fixtures() / folder)
    return sorted({path.stem for place in places if place.is_dir() for path in place.glob("*.toml")})
