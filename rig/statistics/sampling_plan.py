"""Plans for the acceptance of a lot: by published tables, by the shop's own numbers, computed from two risks.

It must never know a part, a line or a file. Attributes: n units are tested, d of them are nonconforming; d <= Ac
accepts, d >= Re does not (in the reduced table there is a gap between the two: accepted, and back to normal).
Sources: MIL-STD-105E (1989), tables I and II-A to II-C, in the public domain; computed plans by the hypergeometric
distribution of a finite lot or the binomial of a process. p, risks and confidences are shares, 0 to 1. Errors:
ValueError naming the figure.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

CODES = "ABCDEFGHJKLMNPQR"
LEVELS = ("S-1", "S-2", "S-3", "S-4", "I", "II", "III")
AQLS: tuple[float, ...] = (
    0.010,
    0.015,
    0.025,
    0.040,
    0.065,
    0.10,
    0.15,
    0.25,
    0.40,
    0.65,
    1.0,
    1.5,
    2.5,
    4.0,
    6.5,
    10.0,
)
AQLS += (15.0, 25.0, 40.0, 65.0, 100.0, 150.0, 250.0, 400.0, 650.0, 1000.0)
SEVERITIES = ("normal", "tightened", "reduced")
TABLE = "MIL-STD-105E"
LARGEST_LOTS = (8, 15, 25, 50, 90, 150, 280, 500, 1200, 3200, 10_000, 35_000, 150_000, 500_000)
LETTERS = (  # table I: one word a lot size, one letter a level in the order of LEVELS
    *("AAAAAAB", "AAAAABC", "AABBBCD", "ABBCCDE", "BBCCCEF", "BBCDDFG", "BCDEEGH", "BCDEFHJ", "CCEFGJK"),
    *("CDEGHKL", "CDFGJLM", "CDFHKMN", "DEGJLNP", "DEGJMPQ", "DEHKNQR"),
)
SIZES = (2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800, 1250, 2000, 3150)  # of codes A to S
REDUCED_SIZES = (2, 2, 2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800)
# Tables II run along diagonals: a plan depends on the code's place plus the AQL's place. (place, Ac, Re) of each table
# that has no row of its own; between two of them the arrows lead up or down to the next plan of the column.
NORMAL = ((14, 0), (17, 1), (18, 2), (19, 3), (20, 5), (21, 7), (22, 10), (23, 14), (24, 21), (25, 30), (26, 44))
TIGHTENED = ((15, 0), (18, 1), (19, 2), (20, 3), (21, 5), (22, 8), (23, 12), (24, 18), (25, 27), (26, 41))
REDUCED: tuple[tuple[int, int, int], ...] = (
    (14, 0, 1),
    (17, 0, 2),
    (18, 1, 3),
    (19, 1, 4),
    (20, 2, 5),
    (21, 3, 6),
    (22, 5, 8),
    (23, 7, 10),
)
REDUCED += ((24, 10, 13), (25, 14, 17), (26, 21, 24))
REDUCED_A: tuple[tuple[int, int, int], ...] = (
    (14, 0, 1),
    (17, 1, 2),
    (18, 2, 3),
    (19, 3, 4),
    (20, 5, 6),
    (21, 7, 8),
    (22, 10, 11),
    (23, 14, 15),
)
REDUCED_A += ((24, 21, 22), (25, 30, 31))
REDUCED_B: tuple[tuple[int, int, int], ...] = (
    (14, 0, 1),
    (17, 0, 2),
    (18, 1, 3),
    (19, 2, 4),
    (20, 3, 5),
    (21, 5, 6),
    (22, 7, 8),
    (23, 10, 11),
)
REDUCED_B += ((24, 14, 15), (25, 21, 22), (26, 30, 31))
UP = {"normal": 15, "tightened": 16, "reduced": 15}  # the place whose arrow leads up, where a plan stands above it
LAST_LONG_CODE = 4  # E: places 25 and 26 have plans up to this code only
MOST_N = 5000


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """n units, accepted up to Ac, not accepted from Re. source: the table's name, "own", "computed" or "all"."""

    n: int
    accept: int
    reject: int
    source: str
    severity: str = "normal"
    code: str = ""
    aql: float | None = None

    def answer(self, nonconforming: int) -> str:
        """ "accepted", "accepted, back to normal" (the reduced table's gap) or "not accepted"."""
        if nonconforming >= self.reject:
            return "not accepted"
        return "accepted" if nonconforming <= self.accept else "accepted, back to normal"


# ---- attributes: the published table ------------------------------------------------------------------------------


def code_letter(lot_size: int, level: str = "II") -> str:
    """The code letter of a lot (table I). lot_size at least 2."""
    if lot_size < 2 or level not in LEVELS:
        raise ValueError(f"a lot of {lot_size} at level {level!r}: 2 or more, and one of {', '.join(LEVELS)}")
    row = next((n for n, largest in enumerate(LARGEST_LOTS) if lot_size <= largest), len(LARGEST_LOTS))
    return LETTERS[row][LEVELS.index(level)]


def table_plan(code: str, aql: float, severity: str = "normal") -> Plan:
    """The single-sampling plan of a code letter and an AQL (tables II-A, II-B, II-C), arrows followed."""
    if code not in CODES or severity not in SEVERITIES or len(code) != 1:
        raise ValueError(
            f"code {code!r}, severity {severity!r}: a letter of {CODES}, and one of {', '.join(SEVERITIES)}"
        )
    column = next((n for n, value in enumerate(AQLS) if math.isclose(value, aql, rel_tol=1e-9)), None)
    if column is None:
        raise ValueError(f"AQL {aql:g} stands in no table: {', '.join(f'{value:g}' for value in AQLS)}")
    row = CODES.index(code)
    up = [r for r in range(row - 1, -1, -1) if _cell(r, column, severity)]
    down = [r for r in range(row + 1, len(SIZES)) if _cell(r, column, severity)]
    place = row + column
    leads_up = place > 26 or place == UP[severity] == 15 or (place >= 25 and row > LAST_LONG_CODE)
    if not _cell(row, column, severity):
        row = (up or down)[0] if leads_up else (down or up)[0]
    accept, reject = _cell(row, column, severity) or (0, 1)
    sizes = REDUCED_SIZES if severity == "reduced" else SIZES
    return Plan(n=sizes[row], accept=accept, reject=reject, source=TABLE, severity=severity, code=code, aql=aql)


def _cell(row: int, column: int, severity: str) -> tuple[int, int] | None:
    """(Ac, Re) that stands in a cell, None for an arrow. Row 16 is code S, which only the tightened table has."""
    place = row + column
    if row == 16 and (severity != "tightened" or place != 18):
        return None
    if (place >= 25 and row > LAST_LONG_CODE) or (severity == "tightened" and (row, place) == (0, 15)):
        return None
    if severity == "reduced":
        rows = REDUCED_A if row == 0 else REDUCED_B if row == 1 else REDUCED
        return next(((ac, re) for at, ac, re in rows if at == place), None)
    pairs = NORMAL if severity == "normal" else TIGHTENED
    return next(((ac, ac + 1) for at, ac in pairs if at == place), None)


def mil_std_105e(lot_size: int, aql: float, *, level: str = "II", severity: str = "normal") -> Plan:
    """The plan for a lot. Where n reaches the lot's size every unit is tested, by the same Ac and Re."""
    plan = table_plan(code_letter(max(lot_size, 2), level), aql, severity)
    if plan.n < lot_size:
        return plan
    return Plan(**{name: getattr(plan, name) for name in Plan.__slots__} | {"n": lot_size})


# ---- attributes: own and computed ---------------------------------------------------------------------------------


def own_plan(n: int, accept: int, reject: int) -> Plan:
    """The shop's own numbers. Refused: no unit, a negative Ac, Ac >= Re."""
    if n < 1 or accept < 0 or accept >= reject:
        raise ValueError(f"n {n}, Ac {accept}, Re {reject}: a unit at least, and 0 <= Ac < Re")
    return Plan(n=n, accept=accept, reject=reject, source="own")


def every_unit(lot_size: int) -> Plan:
    """Each unit is tested and none may be nonconforming."""
    return Plan(n=max(lot_size, 1), accept=0, reject=1, source="all")


def computed_plan(
    good: float, accept: float, bad: float, accept_bad: float, lot_size: int | None = None, most: int = MOST_N
) -> Plan:
    """The smallest n, with its smallest c, that accepts a share `good` of nonconforming units with probability `accept`
    at least and `bad` with `accept_bad` at most.

    lot_size: of a finite lot (hypergeometric; it then holds floor(good N) or ceil(bad N) of them); None: a process.
    """
    if not (0.0 <= good < bad <= 1.0 and 0.0 < accept_bad < accept < 1.0):
        raise ValueError(
            f"good {good}, bad {bad}, accept {accept}, accept_bad {accept_bad}: good < bad, and the reverse"
        )
    for n in range(1, min(most, lot_size or most) + 1):
        c = 0
        while acceptance(n, c, bad, lot_size, worse=True) <= accept_bad:
            if acceptance(n, c, good, lot_size) >= accept:
                return Plan(n=n, accept=c, reject=c + 1, source="computed")
            c += 1
            if c > n:
                break
    if lot_size is not None:
        return Plan(
            n=lot_size, accept=math.floor(good * lot_size), reject=math.floor(good * lot_size) + 1, source="computed"
        )
    raise ValueError(f"no plan of up to {most} units holds both risks; they lie too close together")


def acceptance(n: int, c: int, p: float, lot_size: int | None = None, *, worse: bool = False) -> float:
    """Probability of at most c nonconforming among n, at the share p of them; of a finite lot where its size is given.

    worse: a share that is no whole number of units is rounded up instead of down.
    """
    if lot_size is None:
        from scipy.special import bdtr

        return 1.0 if c >= n else float(bdtr(c, n, p))
    share = p * lot_size
    units = math.ceil(share - 1e-9) if worse else math.floor(share + 1e-9)
    return finite_acceptance(n, c, units, lot_size)


def finite_acceptance(n: int, c: int, bad_units: int, lot_size: int) -> float:
    """Probability of at most c among n drawn from a lot that holds bad_units of them (hypergeometric, exact)."""
    if not (0 <= bad_units <= lot_size and 0 <= n <= lot_size):
        raise ValueError(f"{bad_units} bad and {n} drawn of {lot_size}: neither can be more than the lot")
    whole = math.comb(lot_size, n)
    good = lot_size - bad_units
    ways = sum(
        math.comb(bad_units, d) * math.comb(good, n - d) for d in range(min(c, n, bad_units) + 1) if n - d <= good
    )
    return ways / whole
