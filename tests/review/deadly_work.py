"""Work that kills its worker, for the tests of crews; a module of its own so that a worker loads it quickly."""

from __future__ import annotations

import os
import signal
from pathlib import Path


def deadly(path: str, mark: str) -> dict[str, str]:
    """Kills its process the first time it sees a path that asks for it."""
    if "kill" in path and not os.path.exists(mark):
        Path(mark).touch()
        os.kill(os.getpid(), signal.SIGKILL)
    if "always" in path:
        os.kill(os.getpid(), signal.SIGKILL)
    return {"run": path}
