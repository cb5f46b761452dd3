"""Rig or part: which witness on the same adapter settles a failing line or an unsound reason, and how it is read.

It must never know a run. A witness is something known in place of the part (shorting plug, open adapter, dummy part),
or the part under a change that only the rig feels (outputs exchanged, seated anew). Its reading is compared with the
suspected line in rig/review/witness/reading.py.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

RIG, PART, OPEN = "it's the rig", "it's the part", "this witness can't tell"
PART_OR_SEAT, NOT_SEAT = "it's the part or its seat", "it's not the seat"


@dataclass(frozen=True, slots=True, kw_only=True)
class Witness:
    """title: its name; do: what hands have to do; rig, part: which outcome means which. fitted: what the simulated
    bench has on its adapter then."""

    title: str
    do: str
    rig: str
    part: str
    fitted: str = "part"


WITNESSES: Mapping[str, Witness] = {
    "plug": Witness(
        title="shorting plug",
        do="Unplug the part and put the shorting plug on the adapter.",
        rig="the open or the extra ohms stay with the plug on",
        part="the plug reads its few milliohms",
        fitted="shorting plug",
    ),
    "open": Witness(
        title="open adapter",
        do="Unplug the part and leave the adapter open, dry, the core clip free.",
        rig="the short or the leak stays with nothing plugged in",
        part="every pair is over range",
        fitted="nothing",
    ),
    "dummy": Witness(
        title="dummy part",
        do="Unplug the part and put the dummy part on the adapter, its four lines on the relay card.",
        rig="ratio, phase or angle of the dummy is off by what is suspected",
        part="the dummy reads what is written on it",
        fitted="dummy",
    ),
    "swap": Witness(
        title="exchanged inputs",
        do="Leave the part where it is; its outputs are exchanged by relays.",
        rig="the difference stays with the inputs",
        part="the difference goes with the coils",
    ),
    "reseat": Witness(
        title="re-seat",
        do="Unclamp the part, clean spigot and faces, clamp it again.",
        rig="the line comes back within its limits: it was the seat",
        part="the line stays where it was: not the seat; with the dummy right as well it is the part's",
    ),
}

_LINES: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("r20_match", ("plug",)),
    ("leak_", ("open",)),
    ("thermistor_", ("plug", "open")),
    ("tr_imbalance", ("swap", "dummy")),
    ("phase_difference", ("swap", "dummy")),
    ("tr_", ("dummy", "reseat")),
    ("phase_", ("dummy",)),
    ("error_", ("reseat", "dummy")),
    ("direction", ("dummy",)),
    ("v_exc_rms", ("dummy",)),
    ("null_", ("reseat",)),
    ("quadrature_", ("reseat",)),
    ("centre_", ("reseat",)),
    ("orthogonality", ("reseat",)),
    ("order_", ("reseat",)),
    ("l_", ("reseat",)),
    ("z_", ("reseat",)),
    ("q_", ("reseat",)),
)

SILENT_LINE = ("dummy", "swap")  # of an output that shows nothing; no seat does that


def witnesses_of(line: str, side: str = "") -> tuple[str, ...]:
    """Which witnesses can settle a line, the quickest first. side: "low", "high" or "" (unknown) of its limits."""
    if line in ("r20_exc", "r20_sin", "r20_cos"):
        return {"low": ("open",), "high": ("plug",)}.get(side, ("plug", "open"))
    return next((kinds for start, kinds in _LINES if line.startswith(start)), ())


def titles(kinds: Iterable[str]) -> str:
    """Witnesses in words; "" for none."""
    return " or ".join(WITNESSES[kind].title for kind in kinds)
