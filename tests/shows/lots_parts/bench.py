"""A lot of twenty on the simulated bench through the terminal: shorted, swapped, seen, missing, undecided units."""

from __future__ import annotations

import json
import os
import pty
import select
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

from rig.records.store import Store
from rig.review.lots.answer import answer_of
from rig.review.lots.lot import Lot

Figures = Iterator[tuple[bool, str]]
NAME = "L-0046"
FILE = """schema = "anglewright lot 1"
lot = "L-0046"
supplier = "Fallowmere Traction (invented)"
order = "88137"
part = "KX4-2207"
quantity = {n}
serials = "serials.csv"
seed = 46021
{checks}"""
QUICK = """[[check]]
name = "critical"
lines = ["r20_*", "leak_*", "direction", "pole_pairs"]
plan = "all"
test = "screen"
"""
WORLDS = {
    "shorted": '[part.faults]\nshorted_coil = "sin"\nshorted_tooth = 3\nshorted_turns = 12\n',
    "swapped": "[part.faults]\nswap_sin_cos = true\n",
    "undecided": "[climate]\npart_degc = 34\npart_settle_min = 20\n",
}
PROMPT = b"Scan it, clamp it"
UNIT_S = 600.0


def checks(quick: bool) -> list[tuple[str, Callable[[], Figures]]]:
    return [] if quick else [("lot of twenty", partial(lot, 20))]


class Hand:
    """A terminal of the command with a hand at it. acts: scans and keys typed."""

    def __init__(self, home: Path, words: list[str]) -> None:
        self.home, self.acts, self.seen = home, 0, b""
        env = os.environ | {"ANGLEWRIGHT_HOME": str(home), "COLUMNS": "100"}
        self.master, seat = pty.openpty()
        self.process = subprocess.Popen(
            [sys.executable, "-m", "rig", *words], stdin=seat, stdout=seat, stderr=seat, env=env, start_new_session=True
        )
        os.close(seat)

    def read(self, wait_s: float) -> bytes:
        """What came within the time."""
        ready, _, _ = select.select([self.master], [], [], wait_s)
        try:
            data = os.read(self.master, 65536) if ready else b""
        except OSError:
            data = b""
        self.seen += data
        return data

    def wait(self, words: bytes, since: int, wait_s: float = UNIT_S) -> bool:
        """Whether the words came after place `since` within the time; False when the command has ended."""
        until_s = time.monotonic() + wait_s
        while words not in self.seen[since:] and time.monotonic() < until_s:
            if not self.read(0.5) and self.process.poll() is not None:
                return words in self.seen[since:]
        return words in self.seen[since:]

    def type(self, text: str) -> None:
        """A scan (with Enter) or a key."""
        self.acts += 1
        time.sleep(0.4)
        os.write(self.master, text.encode())


def cut_power(home: Path) -> int:
    """Kill every process of this home at once: command, controller, watchdog, simulated bench."""
    mark, killed = f"ANGLEWRIGHT_HOME={home}".encode(), 0
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            if mark in (folder / "environ").read_bytes().split(b"\0"):
                os.kill(int(folder.name), signal.SIGKILL)
                killed += 1
        except (OSError, ProcessLookupError):
            continue
    return killed


def made_ready(home: Path, n: int) -> tuple[dict[str, str], dict[str, str]]:
    """The lot's file, list and worlds; kind -> serial of the odd units, serial -> kind."""
    serials = [f"PT-2407{k:02d}" for k in range(1, n + 1)]
    (home / "worlds").mkdir(parents=True)
    (home / "serials.csv").write_text("\n".join(["serial", *serials]) + "\n")
    (home / "lot.toml").write_text(FILE.format(n=n, checks="" if n >= 20 else QUICK))
    kinds = dict(zip(("shorted", "swapped", "undecided", "missing", "seen"), serials[1::3], strict=False))
    for k, serial in enumerate(serials):
        kind = next((kind for kind, own in kinds.items() if own == serial), "")
        (home / "worlds" / f"{serial}.toml").write_text(f"seed = {k + 1}\n{WORLDS.get(kind, '')}")
    return kinds, {serial: kind for kind, serial in kinds.items()}


def command(home: Path, *words: str) -> subprocess.CompletedProcess[str]:
    env = os.environ | {"ANGLEWRIGHT_HOME": str(home)}
    told = [sys.executable, "-m", "rig", *words]
    return subprocess.run(told, env=env, capture_output=True, text=True, check=False, stdin=subprocess.DEVNULL)


def sitting(home: Path, kind_of: dict[str, str], cut_at: int | None) -> tuple[Hand, int]:
    """One sitting; (the hand, units it was shown). cut_at: the unit in which the power fails."""
    words = ["lot", "next", NAME, "--worlds", str(home / "worlds"), "--operator", "operator 2"]
    hand, place, shown = Hand(home, words), 0, 0
    while hand.wait(PROMPT, place):
        place = hand.seen.rindex(PROMPT) + 1
        unit = Lot(Store(home), NAME).next_unit()
        if unit is None:
            break
        shown += 1
        kind = kind_of.get(unit.serial, "")
        if kind == "missing":
            hand.type("m")
            hand.wait(b"why?", place)
            hand.type("not in the box\n")
            continue
        hand.type(f"{unit.serial}\n")
        if kind == "seen" and hand.wait(b"test it all the same", place, 60.0):
            hand.type("t")
        if shown == cut_at:
            hand.wait(b"Pin map", place)
            cut_power(home)
            hand.process.wait()
            break
    hand.read(1.0)
    if hand.process.poll() is None:
        hand.process.wait(UNIT_S)
    return hand, shown


def lot(n: int) -> Figures:
    """Twenty units with a shorted, a swapped, a seen-before, a missing, an undecided one; a power cut in unit 9."""
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        kinds, kind_of = made_ready(home, n)
        before = command(home, "run", "quick_screen", "--part", "KX4-2207", "--serial", kinds["seen"])
        opened = command(home, "lot", "open", str(home / "lot.toml"))
        yield (
            opened.returncode == 0 and "was tested before" in opened.stderr,
            f"seen before, by row: {opened.stderr.strip()[:90]}",
        )
        first, shown = sitting(home, kind_of, cut_at=9)
        tested = [unit.label for unit in Lot(Store(home), NAME).units if unit.runs]
        yield (
            shown == 9 and before.returncode == 0,
            f"power cut in unit {shown}; {len(tested)} units were tested before it",
        )
        second, more = sitting(home, kind_of, cut_at=None)
        found = Lot(Store(home), NAME)
        twice = [unit.label for unit in found.units if len(unit.runs) > 1]
        cut = [unit.label for unit in found.units if unit.cut]
        told = f"second sitting: {more} units shown; tested twice: {twice or 'none'}; cut short and tested anew: {cut}"
        yield not twice and len(cut) == 1, told
        extra = 2 + 1  # a key and a reason for the missing unit, a key for the one that was seen before
        acts = first.acts + second.acts
        yield acts == shown + more - 1 + extra, f"{acts} acts at the terminal for {shown + more} labels shown"
        answer = answer_of(found)
        units = {unit.serial: unit for unit in found.units}
        bad = {u.serial for g in answer.groups for u in found.units if u.label in g.units and g.units[u.label].bad}
        yield bad == {kinds["shorted"], kinds["swapped"]}, f"nonconforming {sorted(bad)}, of the worlds' truth"
        critical = answer.groups[0]
        state = critical.units[units[kinds["undecided"]].label].state
        yield state == "undecided", f"{kinds['undecided']}: {state}"
        yield units[kinds["missing"]].aside == "missing", f"{kinds['missing']}: {units[kinds['missing']].why}"
        good = [u.serial for u in found.units if not kind_of.get(u.serial) or kind_of[u.serial] == "seen"]
        fine = [
            s
            for s in good
            if all(g.units[units[s].label].state == "conforms" for g in answer.groups if units[s].label in g.units)
        ]
        yield len(fine) == len(good), f"{len(fine)} of {len(good)} good units conform"
        closed = command(
            home,
            "lot",
            "close",
            NAME,
            "--decision",
            "returned",
            "--why",
            "two outside",
            "--by",
            "operator 2",
            "--out",
            str(home),
        )
        report = json.loads((home / f"lot-{NAME}.json").read_text())
        named = (report["not_tested"], report["answer"], report["towards_supplier"])
        yield closed.returncode == 1 and named == (1, "not accepted", "rejection shown beyond U"), f"report: {named}"
        standards = [s.outcome for s in found.sittings if s.standards]
        yield len(standards) >= 2, f"{len(found.sittings)} entries of sittings, standards: {standards}"
