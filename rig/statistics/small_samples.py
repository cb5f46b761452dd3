"""What a small sample can say: of the lot it was drawn from, of the next lot, and how large it has to be.

It must never know what was counted. Of a finite lot: exact by the hypergeometric distribution; of a process that makes
further lots: Clopper and Pearson's exact interval (Biometrika 26, 1934) by the beta distribution. Errors: ValueError.
"""

from __future__ import annotations

from rig.statistics.sampling_plan import finite_acceptance


def bad_not_excluded(n: int, found: int, lot_size: int, confidence: float = 0.95) -> int:
    """The largest number of bad units that a lot may hold with `found` among n drawn not being surprising.

    Surprising: so few or fewer are drawn with a probability under 1 - confidence. The n drawn are part of the lot.
    """
    _check(n, found, confidence, lot_size)
    largest = found
    for bad in range(found, lot_size - (n - found) + 1):
        if finite_acceptance(n, found, bad, lot_size) >= 1.0 - confidence:
            largest = bad
    return largest


def size_to_find(bad: int, lot_size: int, confidence: float = 0.9) -> int:
    """How many of a lot have to be drawn so that at least one of its bad units is among them with this probability."""
    if not 1 <= bad <= lot_size or not 0.0 < confidence < 1.0:
        raise ValueError(f"{bad} bad of {lot_size} at {confidence}: one at least, a probability between 0 and 1")
    return next(n for n in range(1, lot_size + 1) if finite_acceptance(n, 0, bad, lot_size) <= 1.0 - confidence)


def share_interval(found: int, n: int, confidence: float = 0.95) -> tuple[float, float]:
    """The two-sided exact interval of a share of which `found` of n were seen."""
    _check(n, found, confidence)
    from scipy.special import betaincinv

    tail = 0.5 * (1.0 - confidence)
    low = 0.0 if found == 0 else float(betaincinv(found, n - found + 1, tail))
    return low, 1.0 if found == n else float(betaincinv(found + 1, n - found, 1.0 - tail))


def share_below(found: int, n: int, confidence: float = 0.95) -> float:
    """The share that a process stays below (one-sided, exact) after `found` of n."""
    _check(n, found, confidence)
    from scipy.special import betaincinv

    return 1.0 if found == n else float(betaincinv(found + 1, n - found, confidence))


def good_needed(share: float, confidence: float) -> int:
    """How many without one failure show that more than `share` of a process is good (one-sided, distribution-free)."""
    if not (0.0 < share < 1.0 and 0.0 < confidence < 1.0):
        raise ValueError(f"share {share}, confidence {confidence}: between 0 and 1")
    n = 1
    while 1.0 - share**n < confidence:
        n += 1
    return n


def _check(n: int, found: int, confidence: float, lot_size: int | None = None) -> None:
    if not (0 <= found <= n and n >= 1 and 0.0 < confidence < 1.0 and (lot_size is None or n <= lot_size)):
        raise ValueError(f"{found} of {n} (lot {lot_size}) at {confidence}: a count within the sample, within the lot")
