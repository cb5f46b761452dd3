"""Texts of a report in another language, from one table (texts/<code>.toml); figures with that language's comma.

    language("de").say("All results") -> "Alle Ergebnisse"

A phrase (phrase.py) is said by its key, and what stands in its {places} for itself. Reasons and findings are said by
their code. A text of the record that is no phrase (a note that was stored) is looked up whole, then by pattern; what is
not in the table stays as it is: names, serials, figures of evidence. A new language is one new file. Pure but for
reading its own table.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

from rig.certificate.words.phrase import Phrase, fill

TEXTS = Path(__file__).parent / "texts"
FIGURE = re.compile(r"(?<![\d.,\w])(\d+)\.(\d+)(?![\d.])")
ONLY_FIGURES = re.compile(r"[\s\d.,+−–±<>=≤≥…()′°%/ΩµHzFKCkGMmVA]*\d[\s\d.,+−–±<>=≤≥…()′°%/ΩµHzFKCkGMmVA]*")
PLACE = re.compile(r"\\\{(\w+)\\\}")
LISTED = re.compile(r"(; |, (?=\d+ ))")


@dataclass(frozen=True)
class Language:
    """One language: code (ISO 639-1), decimal sign, words by English words, and patterns with places.

    table: every row as it stands, for a page that fills its places itself.
    """

    code: str
    decimal: str
    words: Mapping[str, str]
    patterns: tuple[tuple[re.Pattern[str], str], ...] = ()
    table: Mapping[str, str] = field(default_factory=dict)
    reasons: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    findings: Mapping[str, Mapping[str, str]] = field(default_factory=dict)

    def say(self, text: str) -> str:
        """The text in this language; unchanged where the table has no word for it."""
        if self.code == "en" or not text:
            return text
        if isinstance(text, Phrase):
            key = text.key if text.raw else self.table.get(text.key, text.key)
            return self.figures(fill(key, {name: self.say(part) for name, part in text.places.items()}))
        if text in self.words:
            return self.words[text]
        if ONLY_FIGURES.fullmatch(text):
            return self.figures(text)
        for pattern, wanted in self.patterns:
            if found := pattern.fullmatch(text):
                return wanted.format(**{name: self.say(part) for name, part in found.groupdict().items()})
        parts = LISTED.split(text)
        return "".join(part if n % 2 else self.say(part) for n, part in enumerate(parts)) if len(parts) > 1 else text

    def figures(self, text: str) -> str:
        """Decimal points of the numbers in a text as this language's sign; versions and addresses keep theirs."""
        return text if self.decimal == "." else FIGURE.sub(rf"\1{self.decimal}\2", text)


@cache
def language(code: str) -> Language:
    """The language of a code: "en", or one that has a table."""
    if code == "en":
        return Language("en", ".", {})
    table = tomllib.loads((TEXTS / f"{code}.toml").read_text(encoding="utf-8"))
    by_code = {name: table.pop(name, {}) for name in ("reasons", "findings")}
    rows = {
        english: text for section in table.values() if isinstance(section, dict) for english, text in section.items()
    }
    words = {english: text for english, text in rows.items() if "{" not in english}
    patterns = tuple(
        (re.compile(PLACE.sub(_place, re.escape(english)), re.DOTALL), text)
        for english, text in sorted(rows.items(), key=lambda row: -len(row[0]))
        if "{" in english
    )
    return Language(code, table["decimal"], words, patterns, rows, by_code["reasons"], by_code["findings"])


def _place(found: re.Match[str]) -> str:
    """A place as a pattern: numbers where its name begins with n, else anything."""
    name = found[1]
    return rf"(?P<{name}>[\d.,+−-]+)" if name.startswith("n") and name != "name" else rf"(?P<{name}>.+?)"


FIGURES = frozenset({"estimate", "U", "limits", "k", "dof", "contribution", "elec", "mech", "cells", "lower", "upper"})
VERBATIM = frozenset(
    {
        "number",
        "run",
        "replaces",
        "shop",
        "hashes",
        "software",
        "measurand",
        "verdict",
        "mark",
        "id",
        "tone",
        "outcome",
        "beyond",
    }
    | {"code", "equations", "pins", "origin", "status", "stated", "units", "check", "qr", "logo", "paper", "language"}
    | {"who", "asset", "serial", "certificate", "calibrated", "due", "beyond"}
)
NOT_STATED = "not stated"
NAMES_AND_NUMBERS = frozenset({"Serial", "Job", "Customer", "Contact", "Done by", "Place", "Holder", "Bench"})


def translate(data: Any, tongue: Language, key: str = "") -> Any:
    """A report's printed data in a language: words by the table, names and serials untouched."""
    if tongue.code == "en" or key in VERBATIM:
        return data
    if isinstance(data, Mapping):
        return {name: translate(value, tongue, name) for name, value in data.items()} | _by_code(data, tongue, key)
    if isinstance(data, list | tuple):
        if key in ("item", "job", "dates") and all(isinstance(row, list | tuple) and len(row) == 2 for row in data):
            return [[tongue.say(name), _value(name, value, tongue)] for name, value in data]
        return [translate(value, tongue, key) for value in data]
    if isinstance(data, str):
        return tongue.figures(data) if key in FIGURES else tongue.say(data)
    return data


def _by_code(data: Mapping[str, Any], tongue: Language, key: str) -> dict[str, str]:
    """The words of a reason or a finding in a language: by its code where the record says what the rule's row says."""
    rows = {"reasons": tongue.reasons, "hints": tongue.findings}.get(key, {})
    row = rows.get(str(data.get("code", "")), {})
    subject = tongue.say(str(data.get("subject", "")))
    return {name: fill(row[name], {"name": subject}) for name in data.get("of_row", ()) if name in row}


def _value(name: str, value: str, tongue: Language) -> str:
    if isinstance(value, Phrase):
        return tongue.say(value)
    return value if name in NAMES_AND_NUMBERS and value != NOT_STATED else tongue.say(value)
