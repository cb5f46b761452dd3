"""Nights as they are planned, kept, taken up again and read in the morning; nothing is run here."""

from __future__ import annotations

import hashlib
import hmac
import json
import threading
from collections.abc import Iterator
from datetime import datetime, timedelta
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any, ClassVar

import pytest

from rig.cli.pages.night import morning_rows
from rig.description.soaks import Standards, check_part, load_soak
from rig.errors import DescriptionError, RecordError, UsageError
from rig.jobs.night.checks.readiness import readiness
from rig.jobs.night.folder import NightFolder, find_night, freeze, nights
from rig.jobs.night.hunting import drop_outs
from rig.jobs.night.morning import Morning, morning
from rig.jobs.night.notices import send, signed
from rig.jobs.night.planning import add_looks, add_soak
from rig.jobs.night.queue import Queue
from rig.jobs.run_job import Request
from rig.records.store import Store
from rig.resolver.winding import degc_at

REQUEST = Request(sequence="quick_screen", part="KX4-2207", serial="N-1")
SOAK = Path("fixtures/soaks/cool-down.toml")


def words_of(page: Morning) -> list[str]:
    """The terminal's page, wherever its lines end."""
    return " ".join(morning_rows(page)).split()


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("ANGLEWRIGHT_HOME", str(tmp_path))
    return tmp_path


def test_the_packaged_soak_makes_its_looks() -> None:
    """Legs in order, a hunt with its end, the coil's nominal resistance where the unit was never measured."""
    made = add_soak(Queue(), REQUEST, load_soak("cool-down"))
    takes = [one for one in made if one.request["sequence"] == "check_standard"]
    assert [made.index(one) for one in takes] == [0, 4] and {one.request["serial"] for one in takes} == {"standards"}
    made = [one for one in made if one not in takes]
    assert [one.leg for one in made] == ["warm", "cooling", "after"]
    assert [bool(one.hunt) for one in made] == [False, True, False]
    hunt = made[1].hunt
    assert hunt["longest_s"] == 7200.0 and hunt["ceiling_degc"] == 110 and hunt["r20_ohm"] == pytest.approx(9.0)


@pytest.mark.parametrize(
    ("old", "new", "why"),
    [
        ('name = "warm"', 'name = "warm"\nlok = "x"', "nearest known key is 'look'"),
        ("to_degc = 90", "to_degc = 105", "can't be reached"),
        ("coil_degc = 110", "coil_degc = 92", "above ceilings.coil_degc"),
        ("longest_min = 120\n", "", "has no end"),
        ('look = "quick_screen"', 'look = "quick_screen"\nevery_min = 5', "hold without end"),
        ("warm_degc = 95\n", "", "needs warm_degc"),
        ('heat = "by hand"', 'heat = "chamber"', "no chamber"),
        ('name = "after"', 'name = "warm"', "two legs of one name"),
        ("hunt = true\n", "", "either hunts or has a look"),
    ],
)
def test_what_a_soak_file_may_not_say(home: Path, old: str, new: str, why: str) -> None:
    """Each is named with the file."""
    text = SOAK.read_text(encoding="utf-8")
    assert old in text
    path = home / "bad.toml"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(DescriptionError) as refused:
        load_soak(str(path))
    assert why in str(refused.value) and "bad.toml" in str(refused.value)


def test_a_part_without_a_ceiling_is_not_soaked() -> None:
    """And one whose ceiling stands below the soak's."""
    soak = load_soak("cool-down")
    with pytest.raises(UsageError, match="no ceiling"):
        check_part(soak, None, "P")
    with pytest.raises(UsageError, match="above the part's"):
        check_part(soak, 105.0, "P")
    check_part(soak, 110.0, "P")


def test_several_serials_on_one_spindle_are_refused(home: Path) -> None:
    """On a simulated bench they are not: nobody has to enter it."""
    queue = Queue()
    add_looks(queue, REQUEST, times=3, every_min=5.0)
    assert [one.wait_s for one in queue.entries()] == [0.0, 300.0, 300.0]
    add_looks(queue, Request(sequence="quick_screen", part="KX4-2207", serial="N-2"))
    text = Path("fixtures/benches/simulated.toml").read_text(encoding="utf-8").replace('world = "good_4"', "")
    path = home / "real.toml"
    path.write_text(text.replace('name = "simulated"', 'name = "real"'), encoding="utf-8")
    with pytest.raises(UsageError, match="one clamped part"):
        add_looks(queue, Request(sequence="quick_screen", part="KX4-2207", serial="N-3", bench=str(path)))


def test_standards_are_taken_first_last_and_between() -> None:
    """Between so many looks of the part; they are no second part."""
    queue = Queue()
    made = add_looks(queue, REQUEST, times=5, standards=Standards(every_looks=2))
    told = ["S" if one.request["sequence"] == "check_standard" else "L" for one in made]
    assert "".join(told) == "SLLSLLSLS"
    assert "".join("S" if o.wait_s else "-" for o in made) == "-" * 9
    add_looks(queue, REQUEST)


def test_a_plan_is_frozen_with_its_hash(home: Path) -> None:
    """A changed one is refused by name; what is kept says nothing of an arming."""
    folder = freeze([{"look": 1, "request": {}, "leg": "", "wait_s": 0.0, "hunt": {}}], {}, home)
    assert folder.plan["looks"][0]["look"] == 1
    text = (folder.path / "plan.json").read_text(encoding="utf-8")
    assert '"arm' not in text
    (folder.path / "plan.json").write_text(text.replace('"look": 1', '"look": 2'), encoding="utf-8")
    with pytest.raises(RecordError, match="changed after it was frozen"):
        _ = folder.plan


def night_of(home: Path, looks: int = 3) -> NightFolder:
    plan = [
        {"look": n, "request": {"sequence": "quick_screen", "part": "P", "serial": "S"}, "leg": "", "wait_s": 0.0}
        for n in range(1, looks + 1)
    ]
    return freeze(plan, {}, home)


def test_finished_looks_are_known_over_sittings(home: Path) -> None:
    """A cut sitting leaves its look unfinished; the page says how many sittings, and how many were cut."""
    folder = night_of(home)
    folder.begin_sitting()
    folder.note("look begun", look=1, leg="", attempt=1)
    folder.note("look ended", look=1, leg="", run="", outcome="within limits", reason="")
    folder.note("look begun", look=2, leg="", attempt=1)
    folder.close()  # as a power cut would
    again = find_night("latest", home)
    assert again.runs_of_finished_looks(Store(home)) == {1: ""}
    assert again.begin_sitting() == 2
    again.note("look begun", look=2, leg="", attempt=2)
    again.note("look ended", look=2, leg="", run="", outcome="within limits", reason="")
    again.note("ended", why="the stated end is reached", left=1, by="the key at the bench")
    again.close()
    page = morning(again, Store(home))
    text = " ".join(words_of(page))
    assert page.headline == "1 of 3 looks were not begun: the stated end is reached."
    assert "in 2 sittings" in text and "one sitting was cut short" in text
    assert "one look begun again" in text and "armed by the key at the bench" in text
    assert [one["outcome"] for one in page.looks] == ["within limits", "within limits", "not begun"]
    assert [one.id for one in nights(home)] == [folder.id]
    with pytest.raises(UsageError, match="0 nights"):
        find_night("19990101", home)


def piece(run: str, *lost: dict[str, Any], points: tuple[Any, ...] = ()) -> dict[str, Any]:
    return {"run": run, "leg": "cooling", "lost": list(lost), "points": list(points)}


def out(s: float, degc: float, end: float, *, still: bool) -> dict[str, Any]:
    return {"coil": "sin", "utc": "T", "s": s, "degc": degc, "end_degc": end, "open_at_end": still}


def test_a_drop_out_over_several_pieces_is_one() -> None:
    """From where it began to where it closed; a later one is another."""
    found = drop_outs(
        [
            piece("a", out(60.0, 80.0, 75.0, still=True)),
            piece("b", out(30.0, 75.0, 71.0, still=False), out(1.0, 70.5, 70.5, still=False)),
        ]
    )
    assert [(one["s"], one["degc"], one["end_degc"]) for one in found] == [(90.0, 80.0, 71.0), (1.0, 70.5, 70.5)]


def test_the_page_says_the_gravest_first(home: Path) -> None:
    """A coil that opened stands above everything; copper's slope with its U."""
    folder = night_of(home, 1)
    folder.begin_sitting()
    points = [[t, {"exc": 9.0 * (234.5 + t) / 254.5}] for t in (80.0, 60.0, 40.0, 22.0)]
    for one in (piece("r", out(12.0, 80.0, 71.2, still=False), points=tuple(points)),):
        folder.note("piece", look=1, **one)
    folder.close()
    page = morning(folder, Store(home))
    assert page.headline == "The sin coil lost contact once, between 71.2 and 80.0 degC."
    assert "exc coil 0.3929 %/K" in " ".join(words_of(page))
    assert page.document()["drop_outs"][0]["degc"] == 80.0


def test_copper_tells_its_temperature() -> None:
    """234.5 at 20 degC."""
    assert degc_at(9.0, 9.0) == pytest.approx(20.0)
    assert degc_at(9.0 * (234.5 + 71.0) / 254.5, 9.0) == pytest.approx(71.0)


def test_readiness_gives_figures_and_what_to_do() -> None:
    """Nothing planned stands against the night, and so does a plan that does not fit."""
    now = datetime(2031, 5, 6, 22, 0)
    (plan, *_) = readiness([], now + timedelta(hours=8), now)
    assert plan.holds is False and plan.do
    queue = Queue()
    add_looks(queue, REQUEST, times=3, every_min=300.0)
    found = {one.what: one for one in readiness(queue.entries(), now + timedelta(hours=8), now)}
    assert found["plan"].holds is False and "3 looks" in found["plan"].figure
    assert found["disk"].holds is True and found["part ceilings"].holds is True


class Hook(BaseHTTPRequestHandler):
    """Takes a notice."""

    got: ClassVar[list[tuple[dict[str, str], bytes]]] = []

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"]))
        self.got.append((dict(self.headers.items()), body))
        self.send_response(200)
        self.end_headers()

    def log_message(self, *_: object) -> None:
        """Quiet."""


@pytest.fixture
def hook() -> Iterator[str]:
    server = HTTPServer(("127.0.0.1", 0), Hook)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}/"
    server.shutdown()
    server.server_close()


def test_a_notice_is_signed_and_a_refused_one_is_a_sentence(home: Path, hook: str) -> None:
    """Over time and body; mail that is refused stops nothing; without a file nothing is sent."""
    assert send("night ended", {}, home) == []
    (home / "secret").write_bytes(b"k\n")
    asked = f'webhook_url = "{hook}"\nwebhook_secret_file = "{home / "secret"}"\n'
    (home / "notices.toml").write_text(asked + 'smtp_host = "127.0.0.1"\nsmtp_port = 1\n', encoding="utf-8")
    (refused,) = send("night ended", {"looks": 3}, home, pause_s=0.0)
    assert refused.startswith("mail refused 3 times")
    headers, body = Hook.got[-1]
    told = {name.lower(): value for name, value in headers.items()}
    mark = hmac.new(b"k", told["x-anglewright-time"].encode() + b"." + body, hashlib.sha256).hexdigest()
    assert told["x-anglewright-signature"] == mark
    assert json.loads(body) == {"what": "night ended", "looks": 3}
    assert signed(b"other", body, "1")["X-Anglewright-Signature"] != signed(b"k", body, "1")["X-Anglewright-Signature"]


def test_a_change_of_the_hour_moves_labels_only(home: Path) -> None:
    """Two sittings with two offsets: said, and nothing else changes."""
    folder = night_of(home, 1)
    for local in ("2026-10-25T01:30:00+02:00", "2026-10-25T02:10:00+01:00"):
        folder.begin_sitting()
        folder.note("begun", plan="", local=local)
        folder.close()
    told = " ".join(words_of(morning(folder, Store(home))))
    assert "the hour changed: UTC" in told and "+02:00" in told and "only labels moved" in told
