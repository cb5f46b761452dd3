"""The angle error while the turn goes on, from a controller's phasors: what the page draws, never a result.

A winding's signed envelope is the part of output over excitation on the common carrier phase, whose sign is chosen once
(first point). Indicated electrical angle = atan2(sine, cosine); its error is against p times the mechanical place by
step counts, with the sign of rotation that fits, the mean taken off. Nothing is corrected, no axis order left out.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Mapping
from typing import Any

import numpy as np

SERIES = ("sweep_ccw", "sweep_cw")
LEAST = 3  # points


class Passes:
    """The points of both passes in the order taken. steps_per_turn: of the axis; p: pole pairs."""

    def __init__(self, pole_pairs: int, steps_per_turn: int) -> None:
        self.p, self.steps_per_turn = max(1, pole_pairs), max(1, steps_per_turn)
        self._phase: float | None = None
        self._sign, self._epoch, self._zero = 0, 0, 0.0
        self._places: list[float] = []
        self._ways: list[int] = []
        self._envelopes: list[tuple[float, float]] = []
        self._angles: list[float] = []

    def add(self, head: Mapping[str, Any]) -> None:
        """One capture's phasors; series that are no pass, and captures without excitation, are left aside."""
        series, conditions = str(head.get("series", "")), head.get("conditions") or {}
        position = conditions.get("position_steps")
        if not series.startswith(SERIES) or not isinstance(position, int | float):
            return
        exc = complex(*head["exc_v"])
        if abs(exc) == 0.0:
            return
        sine, cosine = complex(*head["sin"]) / exc, complex(*head["cos"]) / exc
        if self._phase is None:
            self._phase = cmath.phase(sine if abs(sine) > abs(cosine) else cosine)
        back = cmath.exp(-1j * self._phase)
        u, v = (sine * back).real, (cosine * back).real
        self._places.append(360.0 * position / self.steps_per_turn)
        self._ways.append(1 if "ccw" in series else -1)
        self._envelopes.append((u, v))
        self._angles.append(math.atan2(u, v))

    def points(self, since: int, epoch: int = 0) -> dict[str, Any]:
        """Points behind the first `since`: place (deg mechanical), way (+1 ccw), error (arcmin electrical), envelopes.

        Errors are against a zero that stays; `shift` is the mean over all points, to be taken off. epoch: of the points
        that the page has; where the sense of rotation turned out otherwise, all points come again under the next one.
        """
        n = len(self._angles)
        if n < LEAST:
            return {"n": 0, "epoch": self._epoch, "place": [], "way": [], "error": [], "sine": [], "cosine": []}
        place, angle = np.asarray(self._places), np.asarray(self._angles)
        sign = self._rotation(place, angle)
        if sign != self._sign:
            self._sign, self._epoch = sign, self._epoch + 1
            self._zero = cmath.phase(np.exp(1j * (angle - sign * self.p * np.radians(place))).mean())
        departure = np.exp(1j * (angle - sign * self.p * np.radians(place) - self._zero))
        error = np.degrees(np.angle(departure)) * 60.0 * sign
        shift = float(error.mean())
        start = since if epoch == self._epoch and since <= n else 0
        size = float(np.hypot(*np.asarray(self._envelopes).T).mean()) or 1.0
        envelopes = np.asarray(self._envelopes)[start:] / size
        return {
            "n": n,
            "epoch": self._epoch,
            "since": start,
            "place": place[start:].round(3).tolist(),
            "way": self._ways[start:],
            "error": error[start:].round(2).tolist(),
            "shift": round(shift, 2),
            "sine": envelopes[:, 0].round(4).tolist(),
            "cosine": envelopes[:, 1].round(4).tolist(),
            "elec": round(math.degrees(self._angles[-1]) % 360.0, 1),
            "mech": round(self._places[-1] % 360.0, 1),
            "largest": round(float(np.abs(error - shift).max()), 1),
            "pole_pairs": self.p,
        }

    def _rotation(self, place: np.ndarray, angle: np.ndarray) -> int:
        """+1 where the indicated angle runs with the mechanical one, -1 against it: whichever keeps together."""
        turn = self.p * np.radians(place)
        together = {sign: abs(np.exp(1j * (angle - sign * turn)).mean()) for sign in (1, -1)}
        return max(together, key=lambda sign: together[sign])
