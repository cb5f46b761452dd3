"""The shop as its reports show it: letterhead, language, units, paper and key, from <home>/shop.toml.

    schema = "anglewright shop 1"
    name = "Tallow Street Motors (invented)"       address = ["4 Tallow Street", "Lower Mill"]
    city = "Lower Mill"   country = "GB"            phone, mail, logo = "logo.svg", authorised_by
    language = "en"       also = ["de"]             temperature = "degC"   angle = "arcmin"   paper = "a4"
    [seal]  key = "keys/shop.key.pem"   certificate = "keys/shop.crt.pem"
    [retention]  raw_years = 5          faces_years = 10

Without the file the bench's own `shop` line is the letterhead ("name; street; town; GB"). country (ISO 3166-1) is what
the XML face can't do without. It knows no run and prints nothing.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal

from pydantic import Field

from rig.description.loading import LIMIT_BYTES, Strict, load_checked, read_text
from rig.description.places import default_home
from rig.errors import UsageError
from rig.records.files import read_file

Language = Literal["en", "de"]


class SealKey(Strict):
    """The shop's signing key (PEM, no password) and its certificate (PEM); paths count from the shop file."""

    key: str
    certificate: str


class Retention(Strict):
    """What may be deleted after so many years (rig/records/retention.py), by default nothing. keep_jobs: stay whole."""

    raw_years: float | None = Field(default=None, gt=0)
    faces_years: float | None = Field(default=None, gt=0)
    keep_jobs: tuple[str, ...] = ()


class Shop(Strict):
    """Letterhead, language, units and paper. also: languages that the XML face carries beside `language`."""

    schema_: Literal["anglewright shop 1"] = Field(alias="schema", default="anglewright shop 1")
    name: str = "Shop not named"
    address: tuple[str, ...] = ()
    city: str = ""
    country: str = Field(default="", pattern="^([A-Z]{2})?$")
    phone: str = ""
    mail: str = ""
    logo: str = ""
    authorised_by: str = ""
    language: Language = "en"
    also: tuple[Language, ...] = ()
    temperature: Literal["degC", "degF"] = "degC"
    angle: Literal["arcmin", "deg"] = "arcmin"
    paper: Literal["a4", "us-letter"] = "a4"
    seal: SealKey | None = None
    retention: Retention = Retention()
    folder: Path = Field(default=Path(), exclude=True)

    @property
    def languages(self) -> tuple[str, ...]:
        """The page's language first, then the others, each once."""
        return tuple(dict.fromkeys((self.language, *self.also)))

    @property
    def lines(self) -> tuple[str, ...]:
        """The letterhead's lines, the name first."""
        return (self.name, *self.address, *(line for line in (self.phone, self.mail) if line))

    def logo_svg(self) -> str:
        """The logo's SVG text, "" without one. Raises UsageError when the file is not there."""
        return _text(self.folder / self.logo, "logo") if self.logo else ""

    def seal_certificate(self) -> bytes | None:
        """The PEM of the certificate that the shop signs with, None without one."""
        path = self.folder / self.seal.certificate if self.seal else None
        return read_file(path, LIMIT_BYTES) if path is not None and path.is_file() else None


def load_shop(home: Path | None = None) -> Shop | None:
    """The shop of a home (default: the user's), None without a shop file. Raises DescriptionError."""
    path = (home or default_home()) / "shop.toml"
    if not path.exists():
        return None
    shop = load_checked(Shop, path)
    return shop.model_copy(update={"folder": path.parent})


def shop_for(home: Path, bench: Mapping[str, Any]) -> Shop:
    """The shop of a run: by the home's shop file, else by the line of the run's bench. Raises DescriptionError."""
    return load_shop(home) or shop_of(bench)


def shop_of(bench: Mapping[str, Any]) -> Shop:
    """A shop from a bench's own line "name; street; town; country code" alone; all but the name may be left out."""
    name, *address = (part.strip() for part in str(bench.get("shop") or "Shop not named").split(";"))
    country = address.pop() if address and re.fullmatch("[A-Z]{2}", address[-1]) else ""
    return Shop(name=name, address=tuple(address), city=address[-1] if address else "", country=country)


def _text(path: Path, what: str) -> str:
    try:
        return read_text(path)
    except UsageError as fault:
        raise UsageError(
            f"shop.toml: {what} {path} can't be read ({fault.message}).", next_action="Correct its path in shop.toml."
        ) from fault
