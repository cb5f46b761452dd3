"""The live socket: its words, who is let in, what a slow or hostile client can do. No run is needed for it."""

from __future__ import annotations

import json
import random
import socket
import threading
import time
from collections.abc import Iterator, Mapping
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from rig.control.arming.arming import Arming, ArmingState
from rig.control.step import Progress
from rig.control.stop import StopToken
from rig.errors import BadReply, Cancelled, LinkDown, RecordError, SafetyStop, UsageError
from rig.jobs.controller import server
from rig.jobs.controller.ask import Ask, of_request, take_ask, write_ask
from rig.jobs.controller.client import LiveClient, fault_of
from rig.jobs.controller.frames import Decoder, Message, encode
from rig.jobs.controller.live import Live
from rig.jobs.controller.place import Seat, living, take_seat
from rig.jobs.controller.work import dump_fault
from rig.jobs.run_job import Request
from rig.signal.waveform import Waveform

RATE_HZ, HZ = 241_545.9, 10_000.0


class Book:
    """A journal in memory."""

    def __init__(self) -> None:
        self.path = Path("journal.jsonl")
        self.lines: list[tuple[str, Mapping[str, Any]]] = []

    @property
    def count(self) -> int:
        return len(self.lines)

    def append(self, kind: str, data: Mapping[str, Any]) -> None:
        self.lines.append((kind, data))


class Heap:
    """A raw file in memory."""

    def __init__(self) -> None:
        self.taken = 0

    def append(self, series: str, waveform: Waveform) -> str:
        del waveform
        self.taken += 1
        return f"{series}/{self.taken - 1}"


class Stage:
    """A live socket without a run behind it: bench, journal and raw file are stand-ins."""

    def __init__(self, seat: Seat, *, attended: bool = False) -> None:
        self.seat, self.journal, self.raw, self.token, self.arming = seat, Book(), Heap(), StopToken(), Arming()
        guard = SimpleNamespace(arming=self.arming, seen=None, hot=None, is_excited=False, ohms=False)
        sampler = SimpleNamespace(exc_divider=0.5, shunt_ohm=2.0)
        file = SimpleNamespace(name="real", sampler=sampler)
        watchdog = SimpleNamespace(progress=lambda: None)
        self.bench: Any = SimpleNamespace(token=self.token, guard=guard, axis=None, file=file, watchdog=watchdog)
        self.live = Live(Ask(kind="run", attended=attended), seat)
        self.live.opened(self.bench)
        header = SimpleNamespace(part={"number": "P"}, serial="S", job="", operator="", simulated=False, details={})
        folder: Any = SimpleNamespace(id="r", path=Path("r"), header=header, journal=self.journal, raw=self.raw)
        traits = SimpleNamespace(minutes=2.0)
        sequence: Any = SimpleNamespace(name="s", title="S", steps=(), traits=traits)
        self.writes, self.raws = self.live.begun(folder, self.bench, sequence, HZ)

    def reading(self, capture: str = "", **more: Any) -> None:
        self.writes.append("reading", {"capture": capture, "bench_time_s": 1.5, "time_utc": "T", **more})


@pytest.fixture
def stage(tmp_path: Path) -> Iterator[Stage]:
    seat = take_seat("real", several=False, home=tmp_path)
    one = Stage(seat)
    yield one
    one.live.close()
    seat.leave()
    one.token.close()


def wave(v_peak: float = 4.0) -> Waveform:
    t_s = (np.arange(600) - 299.5) / RATE_HZ
    codes = np.round(np.outer([v_peak, 1.0, 0.3, -0.2], np.cos(2 * np.pi * HZ * t_s)) * 3000).astype(np.int16)
    return Waveform(
        codes=codes,
        scale_v=np.full(4, 1 / 3000),
        offset_v=np.zeros(4),
        sample_rate_hz=RATE_HZ,
        channels=("exc_v", "exc_i", "sin", "cos"),
        rail_low=-32768,
        rail_high=32767,
    )


def test_messages_come_whole_however_the_bytes_are_cut() -> None:
    """Heads and bodies, cut anywhere."""
    sent = [Message({"kind": "a", "text": "x\n\u00fc"}), Message({"kind": "frame", "bytes": 5}, b"\n{}\n\x00")]
    whole = b"".join(encode(one.head, one.body) for one in sent)
    for cut in range(len(whole) + 1):
        decoder = Decoder()
        got = [*decoder.feed(whole[:cut]), *decoder.feed(whole[cut:])]
        assert [(dict(one.head), one.body) for one in got] == [(dict(one.head), one.body) for one in sent]


@pytest.mark.parametrize("line", [b"{\n", b"[1]\n", b'{"bytes": -1}\n', b'{"bytes": true}\n', b"[" * 100_000 + b"\n"])
def test_what_is_no_message_is_refused(line: bytes) -> None:
    """Never taken for one."""
    with pytest.raises(BadReply):
        list(Decoder().feed(line))


def test_a_late_viewer_gets_the_whole_curve(stage: Stage) -> None:
    """Four phasors a capture, peak volts at the coil; the journal's numbers; events behind a stated line."""
    for i in range(5):
        where = stage.raws.append("sweep_ccw", wave())
        stage.reading(where, conditions={"position_steps": i})
    stage.live.progress(Progress(step="sweep_ccw", text="point", done=5, total=320))
    with LiveClient(stage.seat.socket_path, since=3) as late:
        snapshot = late.wait_for("snapshot").head
        assert [one["conditions"]["position_steps"] for one in snapshot["phasors"]] == [0, 1, 2, 3, 4]
        first = snapshot["phasors"][0]
        assert first["exc_v"] == pytest.approx([8.0, 0.0], abs=1e-3)  # a divider of a half
        assert first["exc_i"] == pytest.approx([0.5, 0.0], abs=1e-3)  # a shunt of two ohms
        assert first["cos"] == pytest.approx([-0.2, 0.0], abs=1e-3)
        assert snapshot["last"] == 5 and snapshot["progress"]["done"] == 5
        assert [late.wait_for("event").head["n"] for _ in range(2)] == [4, 5]
        stage.reading()
        assert late.wait_for("event").head["n"] == 6


def test_what_a_viewer_sees_is_on_the_disk_first(stage: Stage) -> None:
    """A line that the journal refuses is shown to nobody."""

    def refuse(kind: str, data: Mapping[str, Any]) -> None:
        raise RecordError("disk full")

    with LiveClient(stage.seat.socket_path) as viewer:
        viewer.wait_for("done")
        stage.journal.append = refuse  # type: ignore[method-assign]
        with pytest.raises(RecordError):
            stage.reading()
        assert all(one is None or one.kind != "event" for one, _ in zip(viewer.messages(0.05), range(4), strict=False))


def test_stop_reaches_the_token_and_names_who(stage: Stage) -> None:
    """And the first reason stays."""
    with LiveClient(stage.seat.socket_path) as viewer:
        viewer.say("stop", by="operator 2")
        assert viewer.wait_for("done").head["do"] in ("hello", "stop")
        viewer.wait_for("done")
    assert isinstance(stage.token.reason, Cancelled) and "operator 2" in str(stage.token.reason)
    assert stage.arming.state is ArmingState.ENDED


def test_a_mark_is_a_line_of_the_journal(stage: Stage) -> None:
    """With the time of the last reading."""
    stage.reading()
    with LiveClient(stage.seat.socket_path) as viewer:
        viewer.wait_for("done")
        viewer.say("mark", text="here I bent it", by="operator 1")
        viewer.wait_for("done")
    kind, data = stage.journal.lines[-1]
    assert kind == "event" and data["name"] == "mark" and data["text"] == "here I bent it" and data["utc"] == "T"


def test_a_question_is_answered_by_advance(stage: Stage) -> None:
    """By one that looks on with hands; an answer that was not offered leaves it open, as when nobody is there."""
    assert stage.live.ask("Rig or part?", ("yes", "no")) == ""
    for said, heard in (("yes", "yes"), ("perhaps", "")):
        with LiveClient(stage.seat.socket_path, hands=True) as viewer:
            viewer.wait_for("done")
            got: list[str] = []
            asks = threading.Thread(target=lambda g=got: g.append(stage.live.ask("Rig or part?", ("yes", "no"))))
            asks.start()
            question = viewer.wait_for("question").head
            assert question["answers"] == ["yes", "no"]
            viewer.say("advance", question=question["question"], answer=said)
            asks.join(5.0)
            assert got == [heard]


def test_nobody_attends_for_ten_seconds(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The run ends safe; while one attends it goes on; a night goes on alone."""
    from rig.jobs.controller import live as module

    monkeypatch.setattr(module, "ATTENDED_S", 0.8)
    seat = take_seat("a", several=False, home=tmp_path)
    one = Stage(seat, attended=True)
    with LiveClient(seat.socket_path) as viewer:
        for _ in range(5):
            viewer.say("attend")
            time.sleep(0.3)
        assert one.token.reason is None
        time.sleep(1.6)
    assert isinstance(one.token.reason, SafetyStop) and one.token.reason.code == "unattended"
    one.live.close()
    seat.leave()
    one.token.close()


def connected(stage: Stage) -> socket.socket:
    viewer = socket.socket(socket.AF_UNIX)
    viewer.connect(str(stage.seat.socket_path))
    return viewer


def test_two_thousand_random_messages_arm_nothing(stage: Stage) -> None:
    """Words, half words, bytes: the arming stays as it was, and the socket still serves."""
    rng = random.Random(13)
    verbs = ["arm", "resume", "ARM", "hello", "attend", "mark", "advance", "hold", "start", "key", "", None, 7]
    viewer = connected(stage)
    for i in range(2000):
        if i % 50 == 49:
            viewer.close()
            viewer = connected(stage)
        words: dict[str, Any] = {"do": rng.choice(verbs), "answer": rng.choice(["ARM", "yes", 1, None])}
        text = json.dumps(words).encode() + b"\n"
        if rng.random() < 0.2:
            text = bytes(rng.randrange(256) for _ in range(rng.randrange(1, 60))) + b"\n"
        try:
            viewer.sendall(text)
        except OSError:
            viewer.close()
            viewer = connected(stage)
    viewer.close()
    with LiveClient(stage.seat.socket_path) as last:
        assert last.wait_for("snapshot").head["state"] == "running"
    assert stage.arming.state is ArmingState.DISARMED and stage.token.reason is None


def test_no_verb_arms_or_resumes() -> None:
    """By name; and nothing of the controller calls Arming.arm."""
    assert set(server.VERBS) == {"hello", "attend", "stop", "hold", "mark", "advance"}
    for path in Path(server.__file__).parent.glob("*.py"):
        assert ".arm(" not in path.read_text(encoding="utf-8"), path


def test_a_stalled_reader_slows_nothing_and_loses_frames_first(stage: Stage) -> None:
    """Posting stays quick; the one that reads gets every event."""
    with LiveClient(stage.seat.socket_path, frames=True) as stalled, LiveClient(stage.seat.socket_path) as reader:
        stalled.wait_for("done")
        reader.wait_for("done")
        begun_s = time.monotonic()
        for i in range(2000):
            where = stage.raws.append("sweep_ccw", wave())
            stage.reading(where, conditions={"position_steps": i})
        posted_s = time.monotonic() - begun_s
        seen = [reader.wait_for("event", 30.0).head["n"] for _ in range(2000)]
        assert seen == list(range(1, 2001))
    assert posted_s < 20.0  # a reader that blocks would hold it for ever


def test_one_controller_a_bench_and_a_living_one_is_listed(tmp_path: Path) -> None:
    """A second is refused on a real bench; side by side on benches that exist once a run."""
    first = take_seat("real", several=False, home=tmp_path)
    first.socket_path.touch()
    with pytest.raises(UsageError, match="in use"):
        take_seat("real", several=False, home=tmp_path)
    second = take_seat("real", several=True, home=tmp_path)
    assert second.name == "real-2" and living(tmp_path) == ["real"]
    first.leave()
    second.leave()
    assert living(tmp_path) == []
    with pytest.raises(LinkDown):
        LiveClient(first.socket_path)


def test_an_ask_is_read_once(tmp_path: Path) -> None:
    """It comes back as it was asked, and its file is gone; a damaged one is named."""
    request = Request(sequence="quick_screen", part="KX4-2207", serial="Q-1", entries=("visual=clean",))
    path = write_ask(of_request(request), tmp_path)
    assert take_ask(path).run_request() == request
    assert not path.exists()
    path.write_text('{"schema": "anglewright ask 1", "kind": "arm"}')
    with pytest.raises(RecordError, match="arm"):
        take_ask(path)


def test_a_fault_comes_back_as_what_it_was() -> None:
    """Its kind, message, next action, code and exit status."""
    for fault in (
        SafetyStop("the guard is open.", code="guard-open", next_action="Close it."),
        LinkDown("gone", instrument="axis", next_action="Look at it."),
        UsageError("no such part.", next_action="Name one."),
        Cancelled("stopped.", code="cancelled"),
    ):
        back = fault_of(json.loads(json.dumps(dump_fault(fault))))
        assert type(back) is type(fault) and str(back) == str(fault)
        assert back is not None and back.exit_status == fault.exit_status
