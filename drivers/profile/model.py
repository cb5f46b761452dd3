"""What a profile says: an instrument that has no driver, told in a TOML file of the home (`instruments/`).

A profile holds only what is equal in kind between instruments: words, patterns of answers, ranges, factors, deadlines.
Anything with a loop or a decision is a driver in Python. Each role has its safety rules, and they are checked when the
file is loaded: nothing is opened by a file that does not pass. Every word comes from a manual, which `source` names.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any, Literal, Self

from pydantic import Field, model_validator

from drivers.profile.tables import Errors, Function, Inputs, Meter, Relays, Source, Who, Wire
from drivers.profile.words import same_word
from rig.description.loading import Strict, load_checked
from rig.description.places import find

ROLES = {"multimeter": Meter, "generator": Source, "switch": Relays, "interlock": Inputs}


class Profile(Strict):
    """One instrument. proven_on: serial numbers and days on which it was tried; empty: written from its manual only."""

    schema_: Literal["anglewright profile 1"] = Field(alias="schema")
    name: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]{1,40}$")]
    title: str = ""
    role: Literal["multimeter", "generator", "switch", "interlock"]
    source: Annotated[str, Field(min_length=12)]
    proven_on: tuple[str, ...] = ()
    identity: Who
    wire: Wire = Wire()
    errors: Errors | None = None
    never_send: tuple[Annotated[str, Field(min_length=1)], ...] = ()
    multimeter: Meter | None = None
    generator: Source | None = None
    switch: Relays | None = None
    interlock: Inputs | None = None

    @model_validator(mode="after")
    def _of_its_role(self) -> Self:
        for role in ROLES:
            if (getattr(self, role) is not None) != (role == self.role):
                told = "is missing" if role == self.role else f"does not belong to the role {self.role}"
                raise ValueError(f"{role}: {told}")
        return self

    @model_validator(mode="after")
    def _says_nothing_forbidden(self) -> Self:
        on = self.generator.output.on if self.generator is not None else None
        for key, word in _words(self.model_dump()):
            if forbidden := [one for one in self.never_send if same_word(word, one) or word.startswith(one)]:
                raise ValueError(f"{key}: says {forbidden[0]!r}, which stands under never_send")
            if on is not None and key != "generator.output.on" and same_word(word, on):
                raise ValueError(f"{key}: switches the output on; only generator.output.on may")
        return self

    @model_validator(mode="after")
    def _believes_nothing_unseen(self) -> Self:
        """Without a list of errors, a setting counts only when it is read back."""
        meter = self.multimeter
        if self.errors is not None or meter is None:
            return self
        for name in ("two_wire", "four_wire", "dc_volts", "ac_volts"):
            function: Function | None = getattr(meter, name)
            if function is None or len(function.ranges) == 1:
                continue
            if not any(one.number == "range" or one.text for one in function.read_back):
                raise ValueError(f"multimeter.{name}.read_back: is needed, as there is no errors table")
        return self


def _words(data: Any, key: str = "") -> Iterator[tuple[str, str]]:
    """Dotted key and text of every word that is said."""
    said = ("set", "ask", "read", "on", "off", "close", "open", "open_all", "first")
    if isinstance(data, dict):
        for name, value in data.items():
            yield from _words(value, f"{key}.{name}".lstrip("."))
    elif isinstance(data, list | tuple):
        for value in data:
            yield from _words(value, key)
    elif isinstance(data, str) and key.rpartition(".")[2] in said:
        yield key, data


def load_profile(name: str) -> Profile:
    """The profile of a name or path: the home's `instruments/`, then the packaged ones. DescriptionError by key."""
    return load_checked(Profile, find("instrument", name))
