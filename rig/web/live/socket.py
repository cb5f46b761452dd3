"""The page's own socket: the bench line, the run's state and the growing curve, at most ten times a second.

A page says {"verb": ...} with one of the verbs of the role table; each is checked against the role of its session, and
what changes something is audited. One message is made for all pages that have seen the same; a page that reads slowly
gets fewer, each with everything that it has not seen. No verb arms or resumes.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from typing import Any

from fastapi import APIRouter
from starlette.websockets import WebSocket, WebSocketDisconnect

from rig.certificate.words.language import language
from rig.web.access.table import EVENTS, OPERATE
from rig.web.access.who import Who
from rig.web.language import language_of
from rig.web.panel import Panel

router = APIRouter()
TICK_S = 0.1
LONGEST = 4096
QUIET_TICKS = 20  # a sign of life every two seconds


@router.websocket("/live")
async def live(socket: WebSocket) -> None:
    """One page."""
    panel: Panel = socket.app.state.panel
    who: Who = socket.state.who
    await socket.accept()
    if who.may(OPERATE):
        panel.operators += 1
    telling = asyncio.create_task(_tell(socket, panel, language(language_of(socket, panel)).say))
    try:
        while True:
            answer = _take(panel, who, await socket.receive_text())
            if answer is not None:
                await socket.send_text(json.dumps(answer))
    except (WebSocketDisconnect, RuntimeError):
        return
    finally:
        telling.cancel()
        if who.may(OPERATE):
            panel.operators -= 1


def _take(panel: Panel, who: Who, text: str) -> dict[str, Any] | None:
    """What a page says; the refusal where it may not, None where nothing has to be answered."""
    try:
        said = json.loads(text) if len(text) <= LONGEST else None
    except (ValueError, RecursionError):
        said = None
    verb = said.get("verb") if isinstance(said, dict) else None
    if not isinstance(said, dict) or not isinstance(verb, str) or verb not in EVENTS:
        return {"refused": str(verb)[:32], "detail": f"known: {', '.join(EVENTS)}"}
    if not who.may(EVENTS[verb]):
        panel.note(who, str(verb), panel.bench, "refused")
        return {"refused": verb, "detail": f"this needs the role {EVENTS[verb]}"}
    if verb == "hello":
        return None
    words = {key: str(said[key])[:200] for key in ("text", "answer") if key in said}
    if isinstance(said.get("question"), int):
        words["question"] = said["question"]
    done = panel.feed.send(str(verb), by=who.name, **words)
    panel.note(who, str(verb), panel.bench, "asked for" if done else "nothing runs")
    return {"done": verb} if done else {"refused": verb, "detail": "no run goes on"}


async def _tell(socket: WebSocket, panel: Panel, say: Callable[[str], str]) -> None:
    """Send what changed, with the points that this page has not seen; a slow page sees fewer messages, never less."""
    seen, points, epoch, run, quiet = -1, 0, 0, "", QUIET_TICKS
    while True:
        feed = panel.feed
        changes = feed.picture.changes
        if changes != seen or quiet >= QUIET_TICKS:
            state = feed.picture.state()
            if str(state["run"].get("id", "")) != run:
                run, points, epoch = str(state["run"].get("id", "")), 0, 0
            curve = feed.picture.points(points, epoch)
            points, epoch, seen, quiet = curve["n"], curve["epoch"], changes, 0
            message = {"line": panel.bench_line().in_words(say), "running": feed.running, **state, "curve": curve}
            if feed.running:
                message["record"] = feed.picture.record()
            await socket.send_text(json.dumps(message, separators=(",", ":"), default=str))
        quiet += 1
        await asyncio.sleep(TICK_S)
