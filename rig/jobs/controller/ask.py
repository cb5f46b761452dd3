"""What a controller is asked to do: one file, read once and taken away, so that nothing starts a second time by itself.

It must never hold an arming: what is written here can be copied, and an arming is a hand at the bench.
"""

from __future__ import annotations

import os
import secrets
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path
from typing import Any

from rig.errors import RecordError
from rig.jobs.run_job import Request
from rig.records.files import read_json, to_json, write_new

SCHEMA = "anglewright ask 1"
RUN, WATCH, NIGHT = "run", "watch", "night"
KINDS = (RUN, WATCH, NIGHT)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """kind: run, watch or night. request: fields of Request (run, watch). details: what else the kind needs.

    attended: it ends safe when nobody has attended for ATTENDED_S (watchers.py); a night goes on. by: who asked.
    """

    kind: str
    request: Mapping[str, Any] = field(default_factory=dict)
    details: Mapping[str, Any] = field(default_factory=dict)
    attended: bool = True
    by: str = ""

    def run_request(self) -> Request:
        """The request as an object."""
        given = dict(self.request)
        given["entries"] = tuple(given.get("entries", ()))
        log = given.get("bench_log")
        given["bench_log"] = Path(log) if log else None
        return Request(**given)


def of_request(request: Request, *, kind: str = RUN, details: Mapping[str, Any] | None = None, by: str = "") -> Ask:
    """The ask for a run or a watch of a request; files are named whole, for a controller that stands elsewhere."""
    told = {name: value for name, value in asdict(request).items() if value is not None}
    for name in ("part", "bench", "world", "holder"):
        if told.get(name) and Path(told[name]).is_file():
            told[name] = str(Path(told[name]).resolve())
    told["entries"] = list(request.entries)
    if request.bench_log is not None:
        told["bench_log"] = str(request.bench_log.resolve())
    return Ask(kind=kind, request=told, details=details or {}, by=by or request.operator)


def write_ask(ask: Ask, folder: Path) -> Path:
    """The ask as a new file of a folder. Raises RecordError where the disk refuses."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"ask-{os.getpid()}-{secrets.token_hex(4)}.json"
    return write_new(path, to_json({"schema": SCHEMA, **asdict(ask)}))


def take_ask(path: Path) -> Ask:
    """Read an ask and take its file away. Raises RecordError for a damaged one."""
    data = read_json(path)
    path.unlink()
    known = {one.name for one in fields(Ask)}
    try:
        if data.pop("schema") != SCHEMA:
            raise ValueError(f"its schema is not {SCHEMA!r}")
        if unknown := set(data) - known:
            raise ValueError(f"unknown keys: {', '.join(sorted(unknown))}")
        ask = Ask(**data)
        if ask.kind not in KINDS:
            raise ValueError(f"kind {ask.kind!r} is none of {', '.join(KINDS)}")
    except (KeyError, TypeError, ValueError) as fault:
        raise RecordError(f"{path} is no ask: {fault}.", next_action="Ask again.") from fault
    return ask
