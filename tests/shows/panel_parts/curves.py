"""The curve as a page gets it over its own socket, put together as the page puts it together."""

from __future__ import annotations

import json
from typing import Any


class Curve:
    """Listens to a page's sockets. points: (place, way, error) of each point; messages: how many came."""

    def __init__(self, page: Any) -> None:
        self.points: list[tuple[float, int, float]] = []
        self.messages, self._epoch = 0, -1
        page.on("websocket", self._listen)

    def _listen(self, socket: Any) -> None:
        self.points, self._epoch = [], -1
        socket.on("framereceived", lambda payload: self._take(json.loads(payload)))

    def _take(self, message: dict[str, Any]) -> None:
        curve = message.get("curve")
        if curve is None:
            return
        self.messages += 1
        if curve["epoch"] != self._epoch:
            self.points, self._epoch = [], curve["epoch"]
        del self.points[curve.get("since", len(self.points)) :]
        self.points += list(zip(curve["place"], curve["way"], curve["error"], strict=True))
