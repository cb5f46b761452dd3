"""The holder file: the channel map from adapter pin to matrix column, the leads and the seat.

It knows no part and no instrument. Keys: fixtures/README.md.
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from rig.description.loading import Strict, load_checked
from rig.description.places import find
from rig.errors import UsageError


class Holder(Strict):
    """What holds the part: `channels` maps adapter pin -> column of the relay matrix; leads and seat.

    datum: the mark that the index refers to ("" = none, then no electrical zero is printed).
    lead_ohm, lead_u_ohm: two-wire lead resistance of the adapter per pair and its standard uncertainty.
    centring_mm, axial_mm: stated re-clamping scatter (standard deviation).
    """

    schema_: Literal["anglewright holder 1"] = Field(alias="schema")
    name: str
    title: str = ""
    channels: dict[str, int]
    core_pin: str = "core"
    datum: str = ""
    index_to_datum_deg: float = 0.0
    lead_ohm: float = Field(default=0.16, ge=0)
    lead_u_ohm: float = Field(default=0.05, ge=0)
    centring_mm: float = Field(default=0.01, ge=0)
    axial_mm: float = Field(default=0.02, ge=0)
    safety: str = ""

    def column(self, pin: str) -> int:
        """The matrix column of an adapter pin; UsageError when the holder has none."""
        if pin not in self.channels:
            raise UsageError(
                f"holder {self.name} has no channel for pin {pin!r}.",
                next_action="Add it under [channels] of the holder file.",
            )
        return self.channels[pin]


def load_holder(name: str) -> Holder:
    """The holder file of a name or path."""
    return load_checked(Holder, find("holder", name))
