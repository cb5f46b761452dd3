"""Judged full tests through wires and drivers: the simulated instruments serve a foreign world."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from foreign.part import part_data
from foreign.world import foreign_world
from rig.description.places import find
from rig.records.store import Store
from rig.result import Result
from rig.review.judge import judge_run

TOP = Path(__file__).parents[2]
FACTORY = "foreign.wires:behind_wires"
START_S = 30.0


def environment(home: Path) -> dict[str, str]:
    """For the command and the simulated instruments: the checkout and its tests on the path, a home of its own."""
    path = os.pathsep.join([str(TOP), str(TOP / "tests"), os.environ.get("PYTHONPATH", "")])
    threads = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
    return os.environ | {"PYTHONPATH": path, "ANGLEWRIGHT_HOME": str(home)} | threads


def toml_of(data: Mapping[str, Any], header: str = "") -> str:
    """Plain data as TOML: values first, then sections; a list of sections is written inline."""
    plain = {k: v for k, v in data.items() if not isinstance(v, dict)}
    text = "".join(f"{key} = {_value(value)}\n" for key, value in plain.items())
    for key, value in data.items():
        if isinstance(value, dict):
            name = f"{header}.{key}" if header else key
            text += f"\n[{name}]\n{toml_of(value, name)}"
    return text


def _value(value: Any) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{k} = {_value(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(v) for v in value) + "]"
    return json.dumps(value)


def results_over_wires(seed: int, work: Path) -> list[Result]:
    """The results of a judged full test of world `seed`, with their budgets; they must be those of the document."""
    shown = run_over_wires(seed, work)
    store = Store(work / f"wires{seed}" / "home")
    (id_,) = store.ids()
    results = [line.result for line in judge_run(store.find(id_)).judged if line.result is not None]
    told = {row["measurand"]: row["estimate"] for row in shown["results"]}
    apart = [r.measurand for r in results if r.estimate is not None and told.get(r.measurand) != r.estimate]
    if apart:
        raise ValueError(f"world {seed}: the document and the stored run differ in {', '.join(apart)}")
    return results


def run_over_wires(seed: int, work: Path) -> dict[str, Any]:
    """The `--json` document of a full test of world `seed` through wires and drivers, in a home of its own."""
    folder = work / f"wires{seed}"
    folder.mkdir(parents=True, exist_ok=True)
    world = foreign_world(seed)
    part, bench, file = folder / "part.toml", folder / "bench.toml", folder / "world.toml"
    part.write_text(toml_of(part_data(world.part)), encoding="utf-8")
    encoder = "true" if world.rig.axis.encoder is not None else "false"
    file.write_text(f"seed = {seed}\n\n[axis]\nencoder = {encoder}\n", encoding="utf-8")
    env = environment(folder / "home")
    command = [sys.executable, "-m", "drivers.simulated", str(file), "--speed", "fast", "--world-object", FACTORY]
    command += ["--parent", str(os.getpid())]
    served = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=env, cwd=TOP, start_new_session=True)
    try:
        out = served.stdout
        links = json.loads(out.readline()) if out is not None else {}
        bench.write_text(bench_on(links), encoding="utf-8")
        words = ["run", "full_test", "--bench", str(bench), "--part", str(part), "--serial", f"FW-{seed}", "--json"]
        done = subprocess.run(
            [sys.executable, "-m", "rig", *words], cwd=TOP, env=env, capture_output=True, text=True, check=False
        )
        if not done.stdout.strip():
            raise RuntimeError(f"world {seed}: no document (status {done.returncode}): {done.stderr[-600:]}")
        found: dict[str, Any] = json.loads(done.stdout)
        return found
    finally:
        served.terminate()
        served.wait(START_S)
        if served.stdout is not None:
            served.stdout.close()


def bench_on(started: Mapping[str, Any]) -> str:
    """The packaged bench's file with its instruments at these links, none of them by a world of its own."""
    data = tomllib.loads(find("bench", "simulated").read_text(encoding="utf-8"))
    data.pop("world")
    data["name"], data["clock"] = "foreign", started["clock"]
    for role in [key for key, value in data.items() if isinstance(value, dict)]:
        if role in started["links"]:
            data[role]["link"] = started["links"][role]
        else:
            data.pop(role)
    data["switch"].pop("step_pulses", None)
    return toml_of(data)
