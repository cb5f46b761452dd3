"""In which language a page is written: as the browser's owner chose, else the shop's own."""

from __future__ import annotations

from starlette.requests import HTTPConnection

from rig.certificate.shop import load_shop
from rig.web.panel import Panel

LANGUAGES = ("en", "de")


def language_of(request: HTTPConnection, panel: Panel) -> str:
    """The language that the browser's owner chose, else the shop's own."""
    chosen = request.cookies.get("language", "")
    if chosen in LANGUAGES:
        return chosen
    shop = load_shop(panel.home)
    return shop.language if shop is not None else "en"
