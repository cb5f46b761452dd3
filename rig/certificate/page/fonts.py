"""Which fonts a page is set in, and whether a text can be set at all: asked before anything runs.

IBM Plex Sans, then fonts from packages (Thai), then what this system has: there Chinese, Japanese and Korean
(fonts-noto-cjk) and pictures (fonts-noto-color-emoji) come from. A text that no font here can set is refused with the
character and the Debian package that brings its font. What decides is the typesetter itself, as it sets the report.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Mapping
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.certificate.page.chart import FAMILY
from rig.errors import UsageError

if TYPE_CHECKING:
    from typst import Compiler

TEMPLATES = Path(__file__).parent / "templates"
FONT_PACKAGE = "fontpkg_ibm_plex_sans"
FURTHER_PACKAGES = ("fontpkg_noto_sans_thai",)
PLAIN_TO = 0x024F  # Latin as the typeface has it, so that most texts ask nothing
SETS = '#set text(font: "IBM Plex Sans")\n#set document(title: "x")\n#json(bytes(sys.inputs.text))'
PACKAGES = (  # first character, last character, what it is, Debian's package
    (0x0E00, 0x0E7F, "Thai", "fonts-noto-core"),
    (0x1100, 0x11FF, "Korean", "fonts-noto-cjk"),
    (0x2E80, 0x9FFF, "Chinese or Japanese", "fonts-noto-cjk"),
    (0xAC00, 0xD7AF, "Korean", "fonts-noto-cjk"),
    (0xF900, 0xFAFF, "Chinese or Japanese", "fonts-noto-cjk"),
    (0xFF00, 0xFFEF, "Chinese or Japanese", "fonts-noto-cjk"),
    (0x2600, 0x27BF, "a picture", "fonts-noto-color-emoji"),
    (0x1F000, 0x1FAFF, "a picture", "fonts-noto-color-emoji"),
    (0x20000, 0x3FFFF, "Chinese or Japanese", "fonts-noto-cjk"),
)
OTHERWISE = "fonts-noto-core"


@cache
def compiler(*, system: bool = False) -> Compiler:
    """The typesetter with the packages' fonts; with those of the system where the packages' are not enough."""
    from typst import Compiler

    return Compiler(root=str(TEMPLATES), font_paths=_folders(), ignore_system_fonts=not system)


def compile_pdf(source: str | bytes, inputs: dict[str, str], stamp: int) -> bytes | list[bytes] | None:
    """A page set with the packages' fonts, else with the system's too. Raises typst's TypstError."""
    from typst import TypstError

    given: dict[str, Any] = {"format": "pdf", "sys_inputs": inputs, "pdf_standards": ["a-3b"], "timestamp": stamp}
    try:
        return compiler().compile(input=source, **given)
    except TypstError:
        if not any(ord(character) > PLAIN_TO for text in inputs.values() for character in text):
            raise
    return compiler(system=True).compile(input=source, **given)


def check_printable(texts: Mapping[str, str]) -> None:
    """name -> text. Raises UsageError, with the name and the character, for a text that no font here can set."""
    asked = {name: text for name, text in texts.items() if any(ord(character) > PLAIN_TO for character in text)}
    if not asked or _settable(" ".join(asked.values())):
        return
    for name, text in asked.items():
        for character in dict.fromkeys(text):
            if ord(character) > PLAIN_TO and not _settable(character):
                kind, package = _script(character)
                words = f"{kind}, " if kind else ""
                called = unicodedata.name(character, "without a name").lower()
                raise UsageError(
                    f"{name}: no font here can print U+{ord(character):04X} ({words}{called}).",
                    next_action=f"Install the font (Debian: apt install {package}), or write it in other characters.",
                )
        if not _settable(text):
            raise UsageError(f"{name}: {text!r} can't be printed.", next_action="Write it in other characters.")


def texts_in(data: Any, where: str = "") -> dict[str, str]:
    """Every text in nested data, by its place."""
    if isinstance(data, str):
        return {where or "the text": data}
    found: dict[str, str] = {}
    items: Iterable[tuple[Any, Any]] = data.items() if isinstance(data, Mapping) else ()
    items = enumerate(data) if isinstance(data, list | tuple) else items
    for key, value in items:
        found |= texts_in(value, f"{where}.{key}" if where else str(key))
    return found


def _settable(text: str) -> bool:
    import json

    from typst import TypstError

    try:
        compile_pdf(SETS.encode(), {"text": json.dumps(text, ensure_ascii=False)}, 0)
    except TypstError:
        return False
    return True


def _script(character: str) -> tuple[str, str]:
    found = next((row for row in PACKAGES if row[0] <= ord(character) <= row[1]), None)
    return ("", OTHERWISE) if found is None else (found[2], found[3])


@cache
def _folders() -> list[str]:
    """The packages' folders of fonts. Raises UsageError when the report's own typeface is not installed."""
    own = _folder(FONT_PACKAGE)
    if own is None:
        raise UsageError(
            f"the typeface {FAMILY} is not installed.",
            next_action="Install fontpkg-ibm-plex-sans into this environment.",
        )
    return [str(own), *(str(found) for name in FURTHER_PACKAGES if (found := _folder(name)) is not None)]


def _folder(package: str) -> Path | None:
    spec = find_spec(package)
    return None if spec is None or spec.origin is None else Path(spec.origin).parent / "files"
