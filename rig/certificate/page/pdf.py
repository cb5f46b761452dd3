"""The printed face: Content to PDF/A-3b by Typst, with JSON and XML face attached; no network, no system fonts.

Data reach the template as JSON through the compiler's inputs and are never pasted into its text. It says nothing that
Content does not say; here it is only said in the shop's language. The PDF's time stamp is the time of issue, so that
the same content gives the same bytes. `sheet` sets the other reports with the same type and colours (reports.py).
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.certificate.content.report import Content
from rig.certificate.page.fonts import font_folder
from rig.certificate.page.plots import plots
from rig.certificate.shop import Shop
from rig.certificate.words.language import language, said
from rig.errors import RecordError

if TYPE_CHECKING:
    from typst import Compiler

TEMPLATES = Path(__file__).parent / "templates"
SUSPECTS = b"/Suspects false"  # the default said outright: one of the two readers warns of it, so it is left unsaid


def pdf(
    content: Content,
    data: bytes,
    *,
    issued_utc: str,
    xml: bytes = b"",
    shop: Shop | None = None,
    check: str = "",
    qr: str = "",
) -> bytes:
    """The report as PDF/A-3b. data, xml: other faces, attached. check: hash of data. qr: SVG. Raises RecordError."""
    inputs = {
        "content": json.dumps(printed(content, shop, check=check, qr=qr), ensure_ascii=False),
        "data": data.decode(),
        "xml": xml.decode(),
    }
    return _set("report.typ", inputs, f"report {content.number}", issued_utc)


def png_pages(content: Content, *, ppi: float = 110.0, shop: Shop | None = None, qr: str = "") -> list[bytes]:
    """Every page as PNG, for the eye; without attachments."""
    inputs = {"content": json.dumps(printed(content, shop, qr=qr), ensure_ascii=False), "data": "", "xml": ""}
    made = _compiler().compile(input=str(TEMPLATES / "report.typ"), format="png", sys_inputs=inputs, ppi=ppi)
    return [page for page in (made if isinstance(made, list) else [made]) if page is not None]


def printed(content: Content, shop: Shop | None = None, *, check: str = "", qr: str = "") -> Mapping[str, Any]:
    """The content as the template takes it: curves as drawn plots, words in the shop's language."""
    shop = shop or Shop()
    tongue = language(shop.language)
    told = asdict(content)
    curves = told.pop("curves")
    drawn = plots(curves, content.pole_pairs, content.error_limit_elec_arcmin, content.units.angle, tongue)
    told |= {
        "language": shop.language,
        "paper": shop.paper,
        "logo": shop.logo_svg(),
        "authorised_by": shop.authorised_by,
        "check": check,
        "qr": qr,
    }
    told = said(told, tongue)
    return {**told, "plots": {plot.name: asdict(plot) for plot in drawn}, "words": dict(tongue.table)}


def sheet(told: Mapping[str, Any], *, issued_utc: str) -> bytes:
    """Another report of the family (history, donors, lot, calibration) as PDF/A-3b. Raises RecordError."""
    inputs = {"sheet": json.dumps(told, ensure_ascii=False)}
    return _set("sheet.typ", inputs, str(told.get("title", "report")), issued_utc)


def _set(template: str, inputs: dict[str, Any], what: str, issued_utc: str) -> bytes:
    from typst import TypstError

    stamp = int(datetime.fromisoformat(issued_utc).timestamp())
    try:
        made = _compiler().compile(
            input=str(TEMPLATES / template),
            format="pdf",
            sys_inputs=inputs,
            pdf_standards=["a-3b"],
            timestamp=stamp,
        )
    except TypstError as fault:
        raise RecordError(
            f"{what} can't be set: {fault.diagnostic}.",
            next_action="Report this; JSON and CSV can still be made.",
        ) from fault
    if not isinstance(made, bytes):
        raise RecordError(f"{what} can't be set: no file came back.", next_action="Report this.")
    return made.replace(SUSPECTS, b" " * len(SUSPECTS))


@cache
def _compiler() -> Compiler:
    from typst import Compiler

    return Compiler(root=str(TEMPLATES), font_paths=[str(font_folder())], ignore_system_fonts=True)
