"""The QR code of a sealed report: its number and the hash of its data, as text; no address, nothing to follow.

Source: ISO/IEC 18004 by segno, error correction M. It knows no report.
"""

from __future__ import annotations

import io

PREFIX = "anglewright-report"


def code_text(number: str, check: str) -> str:
    """What the code says."""
    return f"{PREFIX} {number} sha256 {check}"


def code_svg(number: str, check: str) -> str:
    """The code as SVG text."""
    import segno

    out = io.BytesIO()
    segno.make(code_text(number, check), error="m", micro=False).save(
        out, kind="svg", border=0, dark="#16202a", xmldecl=False, nl=False
    )
    return out.getvalue().decode()
