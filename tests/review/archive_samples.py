"""Small archives for the tests of judging again: runs rehearsed on a world without the wire, stored, then copied."""

from __future__ import annotations

import os
import shutil
from importlib.metadata import version
from pathlib import Path
from typing import Any

from rig.description.benches import load_bench
from rig.description.holders import load_holder
from rig.description.parts import load_part
from rig.observed import Observed
from rig.records.run.record import RunHeader
from rig.records.run.stored import StoredRun
from rig.records.store import Store
from rig.review.judge import judge_run
from rig.signal.waveform import Waveform

PART = "KX4-2207"


def stored(store: Store, obs: Observed, *, sequence: str, serial: str = "AR-1", **header: Any) -> StoredRun:
    """An observed run, written as a bench would have written it, and judged."""
    told: dict[str, Any] = {
        "sequence": sequence,
        "started_utc": "2026-11-25T08:00:00Z",
        "serial": serial,
        "part": load_part(PART).model_dump(mode="json", by_alias=True),
        "holder": load_holder("adapter_8").model_dump(mode="json", by_alias=True),
        "bench": load_bench("simulated").model_dump(mode="json", by_alias=True),
        "decision": dict(obs.header.get("decision") or {}),
        "rotor": str(obs.header.get("rotor", "own")),
        "clamping": str(obs.header.get("clamping", "")),
        "simulated": True,
        "software": f"anglewright {version('anglewright')}",
        "operator": "rehearsal",
    }
    run = store.begin(RunHeader(**(told | header)))
    for reading in obs.readings:
        run.journal.append("reading", reading.to_dict())
    for series in obs.captures.series():
        stack = obs.captures.stack(series)
        for codes in stack.codes:
            run.raw.append(
                series,
                Waveform(
                    codes=codes,
                    scale_v=stack.scale_v,
                    offset_v=stack.offset_v,
                    sample_rate_hz=stack.sample_rate_hz,
                    channels=stack.channels,
                    rail_low=stack.rail_low,
                    rail_high=stack.rail_high,
                ),
            )
    run.close()
    return store.finish(run, judgement=judge_run(StoredRun(run.path)), ended_utc="2026-11-25T08:10:00Z")


def copies(source: StoredRun, home: Path, count: int, day: int = 1) -> list[str]:
    """The same run under other ids; waveforms and journal are links to the same bytes, so that many cost no disk."""
    made: list[str] = []
    for n in range(count):
        folder = home / "runs" / f"202601{day:02d}-{n // 3600:02d}{n // 60 % 60:02d}{n % 60:02d}-{n:04x}"
        folder.mkdir(parents=True)
        for file in source.path.iterdir():
            if file.name.startswith(("journal", "raw")):
                os.link(file, folder / file.name)
            elif not file.name.startswith("judgement"):
                shutil.copy(file, folder / file.name)
        made.append(folder.name)
    return made


def tightened(**limits: Any) -> Any:
    """The part file with other upper limits: measurand=upper."""
    part = load_part(PART)
    changed = [
        limit.model_copy(update={"upper": limits[limit.measurand]}) if limit.measurand in limits else limit
        for limit in part.limits
    ]
    return part.model_copy(update={"limits": tuple(changed)})
