"""Bench multimeters that speak the 34401's words, a row each: what they can, and where they differ.

It must never know a link. A meter is recognised by the model in its identification. Figures with † are from memory.
Sources: HP 34401A User's Guide ed. 5, ch. 4 (SYSTem:REMote on RS-232, DETector:BANDwidth, no ABORt, no offset
compensation); Agilent 34410A/11A Programmer's Reference; Agilent 34405A User's Guide ch. 4 †; Keysight Truevolt
Series Operating and Service Guide (OCOMpensated only in the 34465A/70A); Siglent SDM3055 and SDM3065X remote manuals
(34401 words, NPLC in steps); Rigol DM3058/DM3068 Programming Guide ("CMDSET AGILENT").
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from drivers import scpi


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterRow:
    """One family. Only what differs from the Truevolt's words is written in a row.

    models: pattern of the whole model field. first: said once after opening. bandwidth: header of the AC filter, ""
    for none. integration: header node of the integration time, "" for none. abort: stops a reading. gap_s: the least
    pause between two messages. reply: what a reading looks like to the letter, demanded on serial wires, which lose
    bytes ("": anything that is one number).
    """

    models: str
    four_wire: bool = True
    offset_compensation: bool = False
    integration: str = "NPLC"
    bandwidth: str = "VOLT:AC:BAND"
    first: tuple[str, ...] = ()
    abort: str = "ABOR"
    gap_s: float = 0.0
    overload: scpi.OverloadProfile = scpi.TRUEVOLT
    reply: str = ""


NR3_8 = r"[+-]\d\.\d{8}E[+-]\d{2}"
ROWS = (
    MeterRow(models="34401A", bandwidth="DET:BAND", abort="", reply=NR3_8),
    MeterRow(models="34405A", four_wire=False, integration="", bandwidth=""),
    MeterRow(models="3441[01]A", offset_compensation=True),
    MeterRow(models="3446[01]A"),
    MeterRow(models="344(65|70)A", offset_compensation=True, reply=NR3_8),
    MeterRow(models="SDM30(55|65)\\S*", bandwidth="", gap_s=0.02),
    MeterRow(models="DM305[18]E?|DM3068", first=("CMDSET AGILENT",), bandwidth="DET:BAND", abort="", gap_s=0.02),
)
WIDEST_GAP_S = max(row.gap_s for row in ROWS)  # until it is known who answers
MODELS = "|".join(f"(?:{row.models})" for row in ROWS)


def row_of(model: str) -> MeterRow:
    """The row of a model; the plainest one for a model that has none."""
    return next((row for row in ROWS if re.fullmatch(row.models, model, re.IGNORECASE)), MeterRow(models=model))
