"""The soak file: what a night does with one clamped part over temperature, leg by leg, and the ceilings that end it.

It opens nothing and knows no sequence by name. Heat is "by hand" (warmed elsewhere, watched while it cools) or "none";
a heated night needs the hardware of hardware/safety.md and is refused until a bench file can name it. Keys:
fixtures/README.md.
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field, model_validator

from rig.description.loading import Strict, load_checked
from rig.description.places import find
from rig.errors import UsageError

ROOM_DEGC = (5.0, 40.0)  # what "room" may be
LONGEST_H = 24.0


class Ceilings(Strict):
    """Any one ends the night. coil_degc: by the coil that tells the temperature; unsound_in_a_row: looks."""

    coil_degc: float = Field(gt=0, le=200)
    room_degc: float = Field(default=35.0, gt=0, le=60)
    on_at_once_min: float = Field(default=40.0, gt=0, le=60)
    on_total_h: float = Field(default=6.0, gt=0, le=LONGEST_H)
    unsound_in_a_row: int = Field(default=2, ge=1, le=20)


class Standards(Strict):
    """The bench's own standards between the looks, without a hand. every_looks: so many looks of the part apart."""

    first_and_last: bool = True
    every_looks: int | None = Field(default=20, ge=1, le=500)


class Leg(Strict):
    """One leg. look: sequence of its looks. hold_min with every_min: looks while within within_k of to_degc.

    hunt: all coils' resistances in turn until to_degc is reached or longest_min is over, in runs of a minute with
    rest_s between them. repeats: so many looks.
    """

    name: str = Field(min_length=1)
    to_degc: float | Literal["room"] = "room"
    within_k: float = Field(default=2.0, gt=0, le=20)
    hold_min: float | None = Field(default=None, gt=0, le=60 * LONGEST_H)
    every_min: float | None = Field(default=None, gt=0)
    look: str = ""
    repeats: int = Field(default=1, ge=1, le=500)
    hunt: bool = False
    rest_s: float = Field(default=0.0, ge=0, le=3600)
    longest_min: float | None = Field(default=None, gt=0, le=60 * LONGEST_H)

    @model_validator(mode="after")
    def _ends(self) -> Leg:
        if self.hunt == bool(self.look):
            raise ValueError("a leg either hunts or has a look")
        if self.hunt and self.longest_min is None:
            raise ValueError("a hunt without longest_min has no end")
        if self.every_min is not None and self.hold_min is None:
            raise ValueError("every_min without hold_min is a hold without end")
        if self.hold_min is not None and self.every_min is not None and self.every_min > self.hold_min:
            raise ValueError("every_min is longer than hold_min")
        return self

    @property
    def looks(self) -> int:
        """How many looks it has, a hunt's pieces apart."""
        if self.hold_min is not None and self.every_min is not None:
            return int(self.hold_min / self.every_min) + 1
        return self.repeats


class SoakFile(Strict):
    """Legs in order. temperature_from: the coil whose resistance tells the part's temperature."""

    schema_: Literal["anglewright soak 1"] = Field(alias="schema")
    name: str = Field(min_length=1)
    title: str = ""
    heat: Literal["by hand", "none", "chamber"] = "none"
    temperature_from: Literal["exc", "sin", "cos"] = "exc"
    warm_degc: float | None = Field(default=None, gt=40, le=200)
    ceilings: Ceilings
    standards: Standards | None = None
    leg: tuple[Leg, ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _reachable(self) -> SoakFile:
        if self.heat == "chamber":
            raise ValueError(
                "heat = 'chamber': no chamber is driven yet; warm the part elsewhere and watch it cool ('by hand')"
            )
        if self.heat == "by hand" and self.warm_degc is None:
            raise ValueError("heat = 'by hand' needs warm_degc: how warm the part is when it is clamped")
        if self.warm_degc is not None and self.warm_degc > self.ceilings.coil_degc:
            raise ValueError("warm_degc is above ceilings.coil_degc")
        before = self.warm_degc
        for leg in self.leg:
            if isinstance(leg.to_degc, float | int):
                if leg.to_degc > self.ceilings.coil_degc:
                    raise ValueError(f"leg {leg.name!r}: to_degc is above ceilings.coil_degc")
                if before is None or leg.to_degc > before:
                    raise ValueError(
                        f"leg {leg.name!r}: can't be reached: nothing warms the part to {leg.to_degc:g} degC"
                    )
                before = float(leg.to_degc)
            else:
                before = None
        names = [leg.name for leg in self.leg]
        if len(set(names)) < len(names):
            raise ValueError("two legs of one name")
        return self


def load_soak(name: str) -> SoakFile:
    """The soak file of a name or path. Raises DescriptionError with file, line and key of each fault."""
    return load_checked(SoakFile, find("soak", name))


def check_part(soak: SoakFile, ceiling_coil_degc: float | None, part: str) -> None:
    """Raises UsageError where the part file states no temperature ceiling, or one below the soak's."""
    if ceiling_coil_degc is None:
        raise UsageError(
            f"part {part} states no ceiling of temperature, so it is not soaked.",
            next_action="Write ceiling_coil_degc into its part file, from its data sheet.",
        )
    if soak.ceilings.coil_degc > ceiling_coil_degc:
        raise UsageError(
            f"soak {soak.name}: coil_degc {soak.ceilings.coil_degc:g} is above the part's {ceiling_coil_degc:g}.",
            next_action="A soak's ceilings stand below the part's.",
        )
