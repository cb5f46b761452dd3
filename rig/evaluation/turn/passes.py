"""Which series of captures make a run's turn: both passes, or both of their repeat, or a quick screen's spots.

Both passes are repeated once where the first did not close (sequences/gates.py asks). The repeat is then the turn in
hand; the first passes stay in the record, and their closure stays in the evidence. It must never open a capture.
"""

from __future__ import annotations

from rig.observed import Observed

SWEEPS, SWEEPS_AGAIN = ("sweep_ccw", "sweep_cw"), ("sweep_ccw_again", "sweep_cw_again")
TURNINGS, TURNINGS_AGAIN = ("turning_ccw", "turning_cw"), ("turning_ccw_again", "turning_cw_again")
SPOTS = "spots"
NULLS = ("nulls_ccw", "nulls_cw")  # at rest, at the nulls of a turn on the fly and between
CLOCKWISE = frozenset(pair[1] for pair in (SWEEPS, SWEEPS_AGAIN, TURNINGS, TURNINGS_AGAIN, NULLS))


def swept_series(obs: Observed) -> tuple[str, ...]:
    """Names of the series at rest that make the turn in hand; () where nothing was swept in steps."""
    if _whole(obs, SWEEPS_AGAIN):
        return SWEEPS_AGAIN
    full = tuple(name for name in SWEEPS if obs.has(name))
    return full or ((SPOTS,) if obs.has(SPOTS) else ())


def resting_series(obs: Observed) -> tuple[str, ...]:
    """Names of the series at rest beside a turn on the fly; () where there is none."""
    return tuple(name for name in NULLS if obs.has(name))


def turning_series(obs: Observed) -> tuple[str, str]:
    """Names of the series of the continuous sweep in hand, whether the run has them or not."""
    return TURNINGS_AGAIN if _whole(obs, TURNINGS_AGAIN) else TURNINGS


def first_sweeps(obs: Observed) -> tuple[str, ...]:
    """Names of the first passes at rest where they were repeated; else ()."""
    return SWEEPS if _whole(obs, SWEEPS_AGAIN) and _whole(obs, SWEEPS) else ()


def first_turnings(obs: Observed) -> tuple[str, str] | None:
    """Names of the first continuous passes where they were repeated; else None."""
    return TURNINGS if _whole(obs, TURNINGS_AGAIN) and _whole(obs, TURNINGS) else None


def _whole(obs: Observed, pair: tuple[str, str]) -> bool:
    return all(obs.has(name) for name in pair)
