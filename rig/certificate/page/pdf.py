"""The printed face: Content to PDF/A-3b by Typst, with JSON and XML face attached; no network (fonts: fonts.py).

Data reach the template as JSON through the compiler's inputs and are never pasted into its text. It prints nothing that
Content does not hold, in the shop's language. The PDF's time stamp is the time of issue, so that
the same content gives the same bytes. `set_sheet` sets the other reports with the same type and colours.
"""

from __future__ import annotations

import io
import json
from collections.abc import Mapping
from dataclasses import asdict
from datetime import datetime
from typing import Any

from rig.certificate.content.report import Content
from rig.certificate.page.fonts import TEMPLATES, compile_pdf
from rig.certificate.page.mark import stroke_svg
from rig.certificate.page.plots import plots
from rig.certificate.shop import Shop
from rig.certificate.words.language import language, translate
from rig.errors import RecordError

SIMULATED = "SIMULATED"
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
        "content": json.dumps(template_data(content, shop, check=check, qr=qr), ensure_ascii=False),
        "data": data.decode(),
        "xml": xml.decode(),
    }
    return _set("report.typ", inputs, f"report {content.number}", issued_utc)


def template_data(content: Content, shop: Shop | None = None, *, check: str = "", qr: str = "") -> Mapping[str, Any]:
    """The content as the template takes it: curves as drawn plots, words in the shop's language."""
    shop = shop or Shop()
    tongue = language(shop.language)
    data = asdict(content)
    curves = data.pop("curves")
    figures = plots(curves, content.pole_pairs, content.error_limit_elec_arcmin, content.units.angle, tongue)
    data |= {
        "language": shop.language,
        "paper": shop.paper,
        "logo": shop.logo_svg(),
        "authorised_by": shop.authorised_by,
        "subject": " ".join(value for name, value in content.item if name in ("Part number", "Serial")),
        "check": check,
        "qr": qr,
        "across": stroke_svg(tongue.say(SIMULATED)) if content.simulated else "",
    }
    return {
        **translate(data, tongue),
        "plots": {plot.name: asdict(plot) for plot in figures},
        "words": dict(tongue.table),
    }


def set_sheet(data: Mapping[str, Any], *, issued_utc: str) -> bytes:
    """Another report of the family (history, donors, lot, calibration) as PDF/A-3b. Raises RecordError."""
    across = stroke_svg(language(str(data.get("language", "en"))).say(SIMULATED)) if data.get("simulated") else ""
    inputs = {"sheet": json.dumps({**data, "across": across}, ensure_ascii=False)}
    return _set("sheet.typ", inputs, str(data.get("title", "report")), issued_utc)


def _set(template: str, inputs: dict[str, Any], what: str, issued_utc: str) -> bytes:
    from typst import TypstError

    stamp = int(datetime.fromisoformat(issued_utc).timestamp())
    try:
        made = compile_pdf(str(TEMPLATES / template), inputs, stamp)
    except TypstError as fault:
        raise RecordError(
            f"{what} can't be set: {fault.diagnostic}.",
            next_action="Report this; JSON and CSV can still be made.",
        ) from fault
    if not isinstance(made, bytes):
        raise RecordError(f"{what} can't be set: no file came back.", next_action="Report this.")
    return made.replace(SUSPECTS, b" " * len(SUSPECTS))


def code_svg(number: str, check: str) -> str:
    """The QR code of a sealed report as SVG: its number and the hash of its data, as text; no address.

    Source: ISO/IEC 18004 (QR Code), by segno, error correction M.
    """
    import segno

    out = io.BytesIO()
    segno.make(f"anglewright-report {number} sha256 {check}", error="m", micro=False).save(
        out, kind="svg", border=0, dark="#16202a", xmldecl=False, nl=False
    )
    return out.getvalue().decode()
