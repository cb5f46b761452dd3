"""Where the typeface of the reports lies: IBM Plex Sans (SIL OFL) from its own package, never the system's fonts.

It knows no page. The variable font files hold all weights.
"""

from __future__ import annotations

from functools import cache
from importlib.util import find_spec
from pathlib import Path

from rig.errors import UsageError

FAMILY = "IBM Plex Sans"
PACKAGE = "fontpkg_ibm_plex_sans"


@cache
def font_folder() -> Path:
    """The folder of the font files. Raises UsageError when the font package is not installed."""
    spec = find_spec(PACKAGE)
    if spec is None or spec.origin is None:
        raise UsageError(
            f"the typeface {FAMILY} is not installed.",
            next_action="Install fontpkg-ibm-plex-sans into this environment.",
        )
    return Path(spec.origin).parent / "files"
