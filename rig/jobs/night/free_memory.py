"""Between the parts of a night: what is no longer in use goes back to the system.

It must never be needed for right figures. A run's large arrays leave holes in the C library's heap, which otherwise
grows over hours though nothing is kept. Source: malloc_trim(3), the GNU C library's; other systems do it by themselves.
"""

from __future__ import annotations

import ctypes
import gc
import sys


def give_back() -> None:
    """Collect garbage, and return free heap to the system where that can be asked for."""
    gc.collect()
    if sys.platform == "linux" and (trim := getattr(ctypes.CDLL(None), "malloc_trim", None)) is not None:
        trim(0)
