"""What a request gets that can't be met: application/problem+json (RFC 9457) with our next action, or a page.

Our errors keep their words; the status follows whose fault it is. A fault of the program says nothing of itself to the
outside but a sentence; it is written to the log.
"""

from __future__ import annotations

import logging
from http import HTTPStatus
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.requests import HTTPConnection
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.websockets import WebSocket

from rig.errors import RecordError, RigError, SafetyStop, UsageError
from rig.web.access.table import API

log = logging.getLogger("anglewright.panel")
KIND = "application/problem+json"


class Refusal(Exception):
    """A request that is not let through. kind: "" or "password" (asked for again)."""

    def __init__(self, status: int, text: str, next_action: str = "", kind: str = "") -> None:
        super().__init__(text)
        self.status, self.text, self.next_action, self.kind = status, text, next_action, kind


def problem(status: int, detail: str, next_action: str = "", **more: Any) -> JSONResponse:
    """The answer as problem+json."""
    body = {"type": "about:blank", "title": HTTPStatus(status).phrase, "status": status, "detail": detail}
    return JSONResponse({**body, "next_action": next_action, **more}, status_code=status, media_type=KIND)


def status_of(fault: RigError) -> int:
    """The HTTP status of one of our errors."""
    if isinstance(fault, UsageError):
        return 400
    return 409 if isinstance(fault, RecordError | SafetyStop) else 502


def install(app: FastAPI) -> None:
    """Put the handlers into an app."""

    @app.exception_handler(Refusal)
    async def answer_refusal(request: HTTPConnection, fault: Refusal) -> Response | None:
        if isinstance(request, WebSocket):
            await request.close(code=1008, reason=fault.text)
            return None
        if fault.status == 401 and not request.url.path.startswith(API):
            return RedirectResponse("/sign-in", status_code=303)
        more = {"kind": fault.kind} if fault.kind else {}
        return problem(fault.status, fault.text, fault.next_action, **more)

    @app.exception_handler(RigError)
    async def answer_error(_request: Request, fault: RigError) -> Response:
        faults = {"faults": list(fault.faults)} if hasattr(fault, "faults") else {}
        return problem(status_of(fault), fault.message, fault.next_action, **faults)

    @app.exception_handler(RequestValidationError)
    async def answer_words(_request: Request, fault: RequestValidationError) -> Response:
        first = fault.errors()[0]
        where = ".".join(str(part) for part in first.get("loc", ()))
        return problem(422, f"{where}: {first.get('msg', 'can not be read')}.", "See the interface's description.")

    @app.exception_handler(HTTPException)
    async def answer_plainly(_request: Request, fault: HTTPException) -> Response:
        answer = problem(fault.status_code, str(fault.detail), "Check the address.")
        answer.headers.update(fault.headers or {})
        return answer

    @app.exception_handler(Exception)
    async def answer_fault(_request: Request, fault: Exception) -> Response:
        log.error("fault of the program", exc_info=fault)
        return problem(500, "a fault of the program.", "Tell whoever keeps the panel; its log has the details.")
