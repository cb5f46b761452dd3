"""What a watch shows: digits that read from two metres, least and most, every drop-out on a line of its own, a sound.

It computes nothing (rig/evaluation/bench/watching.py holds). On a terminal the block renews itself ten times a
second; into
a file or a pipe only the drop-outs go. The sound is the terminal's bell, at the loss and at the return.
"""

from __future__ import annotations

import sys
import time
from typing import Any, TextIO

from rig.answer import dump_answer
from rig.evaluation.bench.watching import QUANTITIES, Hold, add, blind, drop_out_sentence
from rig.jobs.kept.kept_run import Finished
from rig.quantity import Reading

SCHEMA = "anglewright watch 1"
ROWS = 7
FONT = {
    "0": (" ### ", "#   #", "#   #", "#   #", "#   #", "#   #", " ### "),
    "1": ("  #  ", " ##  ", "  #  ", "  #  ", "  #  ", "  #  ", " ### "),
    "2": (" ### ", "#   #", "    #", "   # ", "  #  ", " #   ", "#####"),
    "3": (" ### ", "#   #", "    #", "  ## ", "    #", "#   #", " ### "),
    "4": ("   # ", "  ## ", " # # ", "#  # ", "#####", "   # ", "   # "),
    "5": ("#####", "#    ", "#### ", "    #", "    #", "#   #", " ### "),
    "6": (" ### ", "#    ", "#    ", "#### ", "#   #", "#   #", " ### "),
    "7": ("#####", "    #", "   # ", "  #  ", "  #  ", "  #  ", "  #  "),
    "8": (" ### ", "#   #", "#   #", " ### ", "#   #", "#   #", " ### "),
    "9": (" ### ", "#   #", "#   #", " ####", "    #", "    #", " ### "),
    ".": ("   ", "   ", "   ", "   ", "   ", "## ", "## "),
    "-": ("     ", "     ", "     ", "#####", "     ", "     ", "     "),
    " ": ("   ",) * ROWS,
    "O": (" ### ", "#   #", "#   #", "#   #", "#   #", "#   #", " ### "),
    "P": ("#### ", "#   #", "#   #", "#### ", "#    ", "#    ", "#    "),
    "E": ("#####", "#    ", "#    ", "#### ", "#    ", "#    ", "#####"),
    "S": (" ####", "#    ", "#    ", " ### ", "    #", "    #", "#### "),
    "N": ("#   #", "##  #", "##  #", "# # #", "#  ##", "#  ##", "#   #"),
}
AGAIN_S = 0.1
ENDS = "Ctrl-C ends"


def big(text: str) -> list[str]:
    """Seven rows of blocks; characters without a picture are left out."""
    pictures = [FONT[letter] for letter in text if letter in FONT]
    return [" ".join(picture[row].replace("#", "█") for picture in pictures) for row in range(ROWS)]


class WatchDisplay:
    """Takes a run's readings as they come. silent: nothing at all is shown (--json)."""

    def __init__(self, coil: str, *, quiet: bool = False, silent: bool = False, out: TextIO | None = None) -> None:
        self.holds: dict[str, Hold] = {}
        self._coil, self._quiet, self._silent = coil, quiet, silent
        self._out = out or sys.stderr
        self._live = self._out.isatty()
        self._shown_s = -1.0
        self._drawn = 0

    def reading(self, reading: Reading) -> None:
        """One reading of the run; others than the watched ones are passed over."""
        if reading.quantity not in QUANTITIES:
            return
        changed = add(self.holds, reading)
        if self._silent:
            return
        if changed:
            self._write_change(str(reading.conditions.get("coil", "")))
        if self._live and (changed or time.monotonic() - self._shown_s > AGAIN_S):
            self._shown_s = time.monotonic()
            self._draw()

    def close(self) -> None:
        """Leave the cursor below the block."""
        if self._drawn:
            self._out.write("\n")
            self._out.flush()
        self._drawn = 0

    def _write_change(self, coil: str) -> None:
        self._erase()
        hold = self.holds[coil]
        last, several = hold.drop_outs[-1], len(self.holds) > 1
        sound = "" if self._quiet else "\a"
        which = f"{coil} coil: " if several else ""
        said = (
            f"{which}{last.begin_utc}  lost"
            if last.open
            else drop_out_sentence(last, hold.unit, coil if several else "")
        )
        self._out.write(f"{sound}{said}\n")
        self._out.flush()

    def _erase(self) -> None:
        if self._drawn:
            self._out.write(f"\x1b[{self._drawn}A\r\x1b[J")
        self._drawn = 0

    def _draw(self) -> None:
        self._erase()
        rows = self._one(next(iter(self.holds.values()))) if len(self.holds) == 1 else self._several()
        self._out.write("\n".join(rows) + "\n")
        self._out.flush()
        self._drawn = len(rows)

    def _one(self, hold: Hold) -> list[str]:
        least, most = ("-" if x is None else f"{x:.5g}" for x in (hold.least, hold.most))
        state = "LOST" if hold.is_dropped else "in contact"
        rows = [*big(_digits(hold)), "", f"{self._coil} coil, {hold.unit}   {state}"]
        return [*rows, f"min {least}   max {most}   drop-outs {len(hold.drop_outs)}   {ENDS}"]

    def _several(self) -> list[str]:
        rows = []
        for coil, hold in self.holds.items():
            least, most = ("-" if x is None else f"{x:.5g}" for x in (hold.least, hold.most))
            state = "LOST" if hold.is_dropped else "in contact"
            rows.append(
                f"{coil:<4}{_digits(hold):>9} {hold.unit:<4} {state:<11}min {least:>8}  max {most:>8}  "
                f"drop-outs {len(hold.drop_outs)}"
            )
        first = next(iter(self.holds.values()))
        seen = blind(max(h.dwell_s for h in self.holds.values()), max(h.blind_s for h in self.holds.values()))
        return [*rows, seen if first.unit == "ohm" else "", f"Enter marks the moment   {ENDS}"]


def _digits(hold: Hold) -> str:
    return "OPEN" if hold.now is None else f"{hold.now:.4g}" if abs(hold.now) >= 0.001 else f"{hold.now:.6f}"


def document(finished: Finished) -> dict[str, Any]:
    """The --json document."""
    return {
        "schema": SCHEMA,
        "run": finished.stored.id,
        "simulated": finished.stored.header.simulated,
        "watch": dump_answer(finished.judgement.answer).get("watch"),
        "reasons": [reason.to_dict() for reason in finished.judgement.reasons],
        "notes": list(finished.judgement.notes),
    }


def rows(finished: Finished) -> list[str]:
    """What a watch came to, in words."""
    text = ["SIMULATED: no part was measured"] if finished.stored.header.simulated else []
    text += [*finished.judgement.notes, f"run {finished.stored.id}"]
    for reason in finished.judgement.reasons:
        text += [f"{reason.code}: {reason.text}", f"why   {reason.evidence}", f"next  {reason.next}"]
    return text
