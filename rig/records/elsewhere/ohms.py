"""A resistance as people and meters write it: "6.8 ohm", "1.2k", "4k7", "6,8", "OL", "0L", "> 20 M"; text to ohms.

It must never know a table or what a resistance means, and never guesses: what can be read two ways ("10,240") is
read by the habit of the file it stands in, or refused. Over range in every spelling is over range, never a number.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable

from rig.errors import UsageError

OVER = re.compile(
    r"(?:[+-]?\s*[0o]\s*\.?\s*l\.?|\.\s*[0o]l|ovld|ovrd|overflow|over\s*load|over\s*range|over|open|o/?c|1\s*\.\s*---?|"
    r"[+-]?inf(?:inity)?|∞|-{3,})",
    re.IGNORECASE,
)
NOTHING = re.compile(r"(?:|[-–?]{1,2}|n/?a|nan|none|null|not measured|missing)", re.IGNORECASE)
SENTINEL_OHM = 9e37  # bench meters send 9.9E+37 for over range
SCALES = {"": 1.0, "k": 1e3, "K": 1e3, "M": 1e6, "m": 1e-3, "G": 1e9, "meg": 1e6, "kilo": 1e3, "mega": 1e6}
UNIT = r"(?:ohms?|[Ωω\u2126]|R)?"
NUMBER = r"[+-]?\s*(?:\d[\d.,'\u00a0 ]*|[.,]\d+)(?:[eE][+-]?\d+)?"
PLAIN = re.compile(rf"(?P<number>{NUMBER})\s*(?P<scale>[kKmMG]?|[mM][eE][gG]|kilo|mega)\s*{UNIT}", re.IGNORECASE)
LETTER_AS_POINT = re.compile(r"(?P<whole>\d+)(?P<letter>[RrkKMΩ])(?P<part>\d+)")


def comma_habit(texts: Iterable[str]) -> str:
    """What a comma means in a set of values: "decimal", "thousands" or "unclear"."""
    decimal = thousands = False
    for text in texts:
        for found in re.findall(r"\d[\d.,]*", text):
            if "," not in found:
                thousands = thousands or (bool(re.fullmatch(r"\d+\.\d+", found)) and not _thousands(found, "."))
            elif "." in found:
                decimal, thousands = decimal or _last(found) == ",", thousands or _last(found) == "."
            elif not _thousands(found, ","):
                decimal = True
    if decimal == thousands:
        return "unclear"
    return "decimal" if decimal else "thousands"


def read_ohms(text: str, habit: str = "unclear") -> float | None:
    """One value, infinite over range, None when nothing was measured.

    habit: of commas in its surroundings (`comma_habit`). Raises UsageError for what is no resistance.
    """
    word = text.strip().strip('"').strip()
    if NOTHING.fullmatch(word):
        return None
    bare = re.sub(rf"\s*[kKmMG]?{UNIT}$", "", word, count=1, flags=re.IGNORECASE) if word[-1] in "mMΩ\u2126sS" else word
    if OVER.fullmatch(word) or OVER.fullmatch(bare):
        return math.inf
    if word[0] in ">≥":
        bound = read_ohms(word[1:].lstrip("="), habit)
        if bound is not None and math.isfinite(bound):
            return math.inf
    if lettered := LETTER_AS_POINT.fullmatch(re.sub(r"\s*(?:ohms?|[Ω\u2126])$", "", word, flags=re.IGNORECASE)):
        scale = {"r": 1.0, "k": 1e3, "m": 1e6, "ω": 1.0}[lettered["letter"].lower()]
        return float(f"{lettered['whole']}.{lettered['part']}") * scale
    plain = PLAIN.fullmatch(word)
    if plain is None:
        raise UsageError(f"{text.strip()!r} is no resistance.", next_action="Write ohms as a number, or OL.")
    value = _number(plain["number"], habit, text) * _scale(plain["scale"], word)
    return math.inf if abs(value) >= SENTINEL_OHM else value


def _scale(letters: str, word: str) -> float:
    scale = SCALES.get(letters) or SCALES.get(letters.lower())
    if scale is None or (letters == "m" and re.search(r"m\s*OHM", word)):
        raise UsageError(f"{word!r}: the unit can't be told.", next_action="Write ohm, kohm or Mohm.")
    return scale


def _number(text: str, habit: str, whole: str) -> float:
    digits = re.sub(r"[\s'\u00a0]", "", text)
    mantissa, *exponent = re.split(r"[eE]", digits)
    if "," in mantissa and "." in mantissa:
        point = _last(mantissa)
    elif "," in mantissa:
        point = _comma(mantissa, habit, whole)
    else:
        point = "."
    separator = "," if point == "." else "."
    plain = mantissa.replace(separator, "").replace(point, ".")
    if plain.count(".") > 1:
        raise UsageError(f"{whole.strip()!r} is no number.", next_action="Write it with one decimal point.")
    return float("e".join([plain, *exponent]))


def _comma(mantissa: str, habit: str, whole: str) -> str:
    """The decimal sign of a number that holds commas only."""
    if mantissa.count(",") > 1 and _thousands(mantissa, ","):
        return "."
    if not _thousands(mantissa, ","):
        return ","
    if habit == "unclear":
        raise UsageError(
            f"{whole.strip()!r} can be read two ways: the comma may be a decimal sign or part thousands.",
            next_action="Write it with a decimal point and no thousands sign.",
        )
    return "," if habit == "decimal" else "."


def _thousands(number: str, sign: str) -> bool:
    """Whether a number could be grouped by thousands with that sign."""
    return re.fullmatch(rf"[+-]?[1-9]\d{{0,2}}(?:{re.escape(sign)}\d{{3}})+", number) is not None


def _last(number: str) -> str:
    return "," if number.rfind(",") > number.rfind(".") else "."
