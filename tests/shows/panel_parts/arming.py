"""No message arms: a bench that is not simulated for the program, and thousands of words at its panel."""

from __future__ import annotations

import json
import random
import re
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from panel_parts.served import Served

Shown = Iterator[tuple[bool, str]]
ASK = {"sequence": "full_test", "part": "KX4-2207"}
WORDS = ("arm", "ARM", "resume", "hold", "advance", "mark", "stop", "hello", "attend", "energise", "start", "key", "")


def _real_bench(folder: Path, env: dict[str, str], log: Path) -> tuple[subprocess.Popen[str], str]:
    """Instruments served as if they were real: the file names links only, neither world nor clock."""
    target = folder / "benches" / "bench-9.toml"
    target.parent.mkdir(parents=True, exist_ok=True)
    process = subprocess.Popen(
        [sys.executable, "-m", "rig", "bench", "simulate", "good_4", "--speed", "8", "--write", str(target)],
        env=env,
        stdout=log.open("w"),
        stderr=subprocess.STDOUT,
        text=True,
    )
    end_s = time.monotonic() + 60
    while not target.exists() or not target.read_text().strip():
        if time.monotonic() > end_s or process.poll() is not None:
            raise RuntimeError(f"no bench: {log.read_text()[-500:]}")
        time.sleep(0.05)
    text = re.sub(r"^clock = .*\n", "", target.read_text(), flags=re.MULTILINE)
    target.write_text(re.sub(r"^name = .*$", 'name = "bench-9"', text, count=1, flags=re.MULTILINE))
    return process, "bench-9"


def nothing_arms(served: Served, count: int) -> Shown:
    """Random words on every route, on the socket, as keys: the controller waits for a hand, and nothing is armed."""
    from websockets.sync.client import connect

    folder = served.home.parent / "real"
    folder.mkdir()
    bench, name = _real_bench(folder / "home", served.env, folder / "simulate.log")
    other = Served(folder, bench=name)
    rng, again = random.Random(16), 0
    try:
        client = other.client()
        asked = client.post("/api/v1/asks", json={**ASK, "serial": "NO-HAND"})
        states: set[str] = set()
        cookie = "; ".join(f"{key}={value}" for key, value in client.cookies.items())
        headers = {"Cookie": cookie, "Origin": other.base}
        routes = list(client.get("/api/v1/openapi.json").json()["paths"])
        with connect(other.base.replace("http", "ws") + "/live", additional_headers=headers) as socket:
            for n in range(count):
                word = rng.choice(WORDS)
                said: dict[str, Any] = {
                    "verb": word,
                    "by": "somebody",
                    "answer": "yes",
                    "text": "ARM",
                    "role": "approve",
                }
                socket.send(json.dumps(said))
                if n % 5 == 0:
                    path = re.sub(r"\{\w+\}", word or "x", rng.choice(routes))
                    if not path.endswith(("/asks", "/look", "/current")):
                        client.request(rng.choice(("POST", "PATCH", "PUT", "GET")), path, json=said)
                if n % 50 == 0:
                    states |= _states(socket)
                    if client.post("/api/v1/asks", json={**ASK, "serial": f"NO-HAND-{n}"}).status_code == 202:
                        again += 1  # a stop has ended the run that waited; the next one waits
        states.add(client.get(f"/api/v1/benches/{name}").json()["line"]["state"])
        yield (
            asked.status_code == 202,
            f"a run was asked for and waits ({asked.status_code}), after a stop another one: {again}",
        )
        yield states <= {"OFF", "OHMS", "HOT"}, f"{count} messages: the bench line was {', '.join(sorted(states))}"
        runs = list((other.home / "runs").glob("*-*"))
        yield not runs, f"runs that began without a hand: {len(runs)} (0)"
        client.post(f"/api/v1/benches/{name}/stop", json={})
        client.close()
    finally:
        other.close()
        bench.terminate()
        bench.wait(20)


def _states(socket: Any) -> set[str]:
    found = set()
    try:
        while True:
            message = json.loads(socket.recv(timeout=0.02))
            if "line" in message:
                found.add(message["line"]["state"])
    except TimeoutError:
        return found
