"""The printed face: Content to PDF/A-3b by Typst, with the JSON face attached; no network, no system fonts.

Data reach the template as JSON through the compiler's inputs and are never pasted into its text. It says nothing that
Content does not say. The PDF's time stamp is the time of issue, so that the same content gives the same bytes.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import asdict
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.certificate.content import Content
from rig.certificate.fonts import font_folder
from rig.certificate.plots import plots
from rig.errors import RecordError

if TYPE_CHECKING:
    from typst import Compiler

TEMPLATES = Path(__file__).parent / "templates"
SOURCE = str(TEMPLATES / "report.typ")


def pdf(content: Content, data: bytes, *, issued_utc: str) -> bytes:
    """The report as PDF/A-3b. data: the JSON face, attached as certificate.json. Raises RecordError."""
    stamp = int(datetime.fromisoformat(issued_utc).timestamp())

    def bound(inputs: dict[str, Any]) -> Any:
        return _compiler().compile(
            input=SOURCE, format="pdf", sys_inputs=inputs, pdf_standards=["a-3b"], timestamp=stamp
        )

    made = _set(content, bound, data)
    return made[0]


def png_pages(content: Content, *, ppi: float = 110.0) -> list[bytes]:
    """Every page as PNG, for the eye; without attachment."""
    return _set(
        content, lambda inputs: _compiler().compile(input=SOURCE, format="png", sys_inputs=inputs, ppi=ppi), b""
    )


def _set(content: Content, compile_with: Callable[[dict[str, Any]], Any], data: bytes) -> list[bytes]:
    from typst import TypstError

    inputs = {"content": json.dumps(printed(content), ensure_ascii=False), "data": data.decode()}
    try:
        made = compile_with(inputs)
    except TypstError as fault:
        raise RecordError(
            f"report {content.number} can't be set: {fault.diagnostic}.",
            next_action="Report this; JSON and CSV can still be made.",
        ) from fault
    return [made] if isinstance(made, bytes) else list(made)


def printed(content: Content) -> Mapping[str, Any]:
    """The content as the template takes it: curves as drawn plots."""
    told = asdict(content)
    curves = told.pop("curves")
    told["plots"] = {
        plot.name: asdict(plot) for plot in plots(curves, content.pole_pairs, content.error_limit_elec_arcmin)
    }
    return told


@cache
def _compiler() -> Compiler:
    from typst import Compiler

    return Compiler(root=str(TEMPLATES), font_paths=[str(font_folder())], ignore_system_fonts=True)
