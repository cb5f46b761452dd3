"""What a run writes into its journal, as server-sent events: the same numbers as on the live socket.

A client that comes back sends `Last-Event-ID` and gets what it missed of the run that goes on. Source: WHATWG HTML,
server-sent events.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from typing import Annotated

from fastapi import APIRouter, Depends, Header, Query
from starlette.responses import StreamingResponse

from rig.web.access.table import API
from rig.web.api.common import panel_of
from rig.web.panel import Panel

router = APIRouter(prefix=API)
Here = Annotated[Panel, Depends(panel_of)]
LOOK_S, BEAT_S = 0.2, 10.0


@router.get("/events", response_class=StreamingResponse)
def events(
    panel: Here,
    last_event_id: Annotated[str, Header(max_length=20)] = "",
    seconds: Annotated[float, Query(gt=0, le=86_400)] = 86_400.0,
) -> StreamingResponse:
    """The journal's lines of the run that goes on, as they are written; `seconds`: when to end by itself."""
    after = int(last_event_id) if last_event_id.isdigit() else 0
    return StreamingResponse(_follow(panel, after, seconds), media_type="text/event-stream")


async def _follow(panel: Panel, after: int, seconds: float) -> AsyncIterator[str]:
    run, silent_s, gone_s = str(panel.feed.picture.run.get("id", "")), 0.0, 0.0
    yield ": anglewright\n\n"
    while gone_s < seconds:
        picture = panel.feed.picture
        if str(picture.run.get("id", "")) != run:
            run, after = str(picture.run.get("id", "")), 0
        for one in picture.events_after(after):
            after, silent_s = one["n"], 0.0
            yield f"id: {one['n']}\nevent: {one['event']}\ndata: {json.dumps(one, default=str)}\n\n"
        if silent_s >= BEAT_S:
            silent_s = 0.0
            yield ": still here\n\n"
        await asyncio.sleep(LOOK_S)
        silent_s, gone_s = silent_s + LOOK_S, gone_s + LOOK_S
