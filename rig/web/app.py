"""The panel as one web application: pages, HTTP interface, live socket; every route behind the one gate.

It never opens a link, never holds an instrument and never writes into a run's folder but remarks, photos and reports.
FastAPI stands below; pages are rendered here, scripts and styles are this room's own files, nothing comes from outside.
"""

from __future__ import annotations

from pathlib import Path

from fastapi import Depends, FastAPI
from fastapi.responses import JSONResponse
from starlette.requests import Request
from starlette.responses import FileResponse, Response
from starlette.staticfiles import StaticFiles

from rig.web import problem
from rig.web.access.gate import allow
from rig.web.access.table import API
from rig.web.api import asks, benches, events, lots, people, pins, reports, runs, sittings, standards, units
from rig.web.live import socket
from rig.web.pages import bench as bench_page
from rig.web.pages import entrance, known, nights, run, work
from rig.web.pages import lots as lot_pages
from rig.web.pages import units as unit_pages
from rig.web.panel import Panel

STATIC = Path(__file__).parent / "static"
POLICY = (
    "default-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data:; object-src 'self'; "
    "frame-ancestors 'self'; base-uri 'none'; form-action 'self'"
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cache-control": "no-store",
}


def create_app(panel: Panel) -> FastAPI:
    """The application of one panel."""
    app = FastAPI(
        title="Anglewright panel",
        version="1",
        description="Runs, reports, units and benches of one shop. Nothing here arms a bench. A stop asked for here "
        "is no emergency stop: that is the button at the bench.",
        docs_url=None,
        redoc_url=None,
        openapi_url=None,
        dependencies=[Depends(allow)],
    )
    app.state.panel = panel
    problem.install(app)
    for module in (people, runs, reports, units, benches, standards, asks, events, lots, sittings, pins):
        app.include_router(module.router, tags=[module.__name__.rpartition(".")[2]])
    for module in (entrance, bench_page, work, run, unit_pages, lot_pages, nights, known):
        app.include_router(module.router, include_in_schema=False)
    app.include_router(socket.router)

    @app.get(f"{API}/openapi.json", include_in_schema=False)
    def interface() -> JSONResponse:
        """The description of the HTTP interface."""
        return JSONResponse(app.openapi())

    @app.middleware("http")
    async def add_headers(request: Request, follow):  # type: ignore[no-untyped-def]
        answer: Response = await follow(request)
        for name, value in HEADERS.items():
            if name != "cache-control" or not request.url.path.startswith("/static/"):
                answer.headers.setdefault(name, value)
        return answer

    app.mount("/static", Static(directory=STATIC), name="static")
    return app


class Static(StaticFiles):
    """Files of this room, and the reports' typeface from its package."""

    async def get_response(self, path: str, scope):  # type: ignore[no-untyped-def]
        """One file; plex.ttf is the package's own."""
        if path == "plex.ttf":
            return FileResponse(typeface(), media_type="font/ttf", headers={"cache-control": "max-age=86400"})
        return await super().get_response(path, scope)


def typeface() -> Path:
    """The reports' typeface, from its package (SIL OFL)."""
    import fontpkg_ibm_plex_sans

    return Path(fontpkg_ibm_plex_sans.__file__).parent / "files" / "IBMPlexSans[wdth,wght].ttf"
