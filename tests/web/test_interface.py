"""The HTTP interface: kept runs, reports, units, known good, problems with a next action; its description is kept."""

import json
import shutil
import sys
from pathlib import Path
from typing import Any

import pytest

from rig.web.app import create_app
from rig.web.panel import Panel

TOP = Path(__file__).parents[2]
DESCRIPTION = TOP / "rig" / "web" / "openapi.json"
RUNS = TOP / "fixtures" / "reference" / "runs" / "schema-1"
for _room in ("certificate", "review"):  # their invented runs and lots
    sys.path.insert(0, str(TOP / "tests" / _room))


@pytest.fixture
def served(serve: Any, tmp_path: Path) -> Any:
    """A panel over four runs: good, bad, unsound, and the reference run of the first schema."""
    import sample

    home = tmp_path / "home"
    for n, judgement in enumerate((sample.good(), sample.bad(), sample.unsound())):
        sample.stored(home, judgement, sample.a_header(serial=f"93-0041{n}", started_utc=f"2026-11-25T1{n}:15:00Z"))
    for folder in RUNS.iterdir():
        shutil.copytree(folder, home / "runs" / folder.name)
    return serve(home=home)


def test_its_description_is_the_one_that_is_kept(tmp_path: Path) -> None:
    """Other software reads rig/web/openapi.json; make it anew with `python -m rig.web.description`."""
    made = create_app(Panel(home=tmp_path, bench="simulated")).openapi()
    assert json.loads(DESCRIPTION.read_text()) == json.loads(json.dumps(made))


def test_runs_are_listed_newest_first_and_searched(served: Any) -> None:
    """All of them, page by page; a part of a serial number is enough; what fits nothing gives an empty list."""
    browser = served.sign_in("viewer 1")
    found = browser.get("/api/v1/runs").json()
    names = [row["run"] for row in found["runs"]]
    assert found["total"] == len(names) > 2 and names == sorted(names, reverse=True)
    first = browser.get("/api/v1/runs", params={"most": 1}).json()
    second = browser.get("/api/v1/runs", params={"most": 1, "after": first["next"]}).json()
    assert [first["runs"][0]["run"], second["runs"][0]["run"]] == names[:2]
    serial = found["runs"][0]["serial"]
    assert serial and browser.get("/api/v1/runs", params={"q": serial[1:].lower()}).json()["total"] >= 1
    assert browser.get("/api/v1/runs", params={"q": "%_nothing"}).json()["total"] == 0, "a wildcard is a character"


def test_a_run_is_the_document_of_the_command_line(served: Any) -> None:
    """Every line unrounded; journal behind a number; raw file as it is."""
    browser = served.sign_in("viewer 1")
    run = browser.get("/api/v1/runs").json()["runs"][0]["run"]
    document = browser.get(f"/api/v1/runs/{run}").json()
    assert document["run"] == run and document["schema"].startswith("anglewright result")
    lines = browser.get(f"/api/v1/runs/{run}/journal", params={"after": 5}).json()["lines"]
    assert lines[0]["n"] == 6
    raw = browser.get(f"/api/v1/runs/{run}/raw")
    kept = served.panel.home / "runs" / run / "raw.h5"
    assert (raw.status_code == 200 and raw.content == kept.read_bytes()) if kept.exists() else raw.status_code == 404


def test_what_is_not_there_is_said_with_a_next_action(served: Any) -> None:
    """problem+json, 404, for runs, units, reports, benches; a path is no name."""
    browser = served.sign_in("viewer 1")
    for path in ("runs/20990101", "units/none", "reports/none", "benches/none", "known/none", "runs/..%2f..%2fetc"):
        answer = browser.get(f"/api/v1/{path}")
        assert answer.status_code == 404, path
        assert answer.headers["content-type"] == "application/problem+json" and answer.json()["next_action"], path


def test_a_remark_and_a_photo_stand_beside_the_run(served: Any) -> None:
    """With the author's name; what is no picture is refused, and so is a control character."""
    browser = served.sign_in("operator 2")
    run = browser.get("/api/v1/runs").json()["runs"][0]["run"]
    made = browser.post(f"/api/v1/runs/{run}/remarks", json={"text": "one pin bent"})
    assert made.status_code == 201 and made.json()["author"] == "operator 2"
    picture = b"\x89PNG\r\n\x1a\n" + bytes(32)
    assert browser.post(f"/api/v1/runs/{run}/photos", files={"file": ("a.png", picture)}).status_code == 201
    wrong = browser.post(f"/api/v1/runs/{run}/photos", files={"file": ("a.png", b"no picture")})
    assert wrong.status_code == 400 and "JPEG, PNG or WebP" in wrong.json()["detail"]
    cut = browser.post(f"/api/v1/runs/{run}/remarks", json={"text": "a\u2028b"})
    assert cut.status_code == 400 and "U+2028" in cut.json()["detail"]


def test_a_report_is_issued_by_who_may_and_verified_by_anybody(served: Any) -> None:
    """Issue, download, verify unchanged, altered, withdraw; each act in the audit log."""
    browser = served.sign_in("approver 1")
    rows = browser.get("/api/v1/runs").json()["runs"]
    run = next(row["run"] for row in rows if row["sequence"] == "full_test" and row["outcome"] != "incomplete")
    made = browser.post(f"/api/v1/runs/{run}/report", json={})
    assert made.status_code == 201, made.text
    face = browser.get(f"/api/v1/runs/{run}/report/json")
    assert face.headers["content-type"].startswith("application/json")

    def verify(data: bytes) -> str:
        found = browser.post("/api/v1/reports/verify", files={"file": ("r.json", data)}).json()
        return str(found.get("state") or found.get("outcome") or found)

    assert verify(face.content).lower().startswith("unchanged")
    assert not verify(face.content.replace(b'"serial"', b'"seria1"', 1)).lower().startswith("unchanged")
    number = made.json()["number"]
    gone = browser.post(f"/api/v1/reports/{number}/withdrawal", json={"reason": "wrong unit"})
    assert gone.status_code == 201 and "withdrawn" in browser.get(f"/api/v1/reports/{number}").json()["state"]
    acts = [line["act"] for line in browser.get("/api/v1/audit").json()["lines"]]
    assert acts[:2] == ["report withdrawn", "report issued"]


def test_every_page_of_what_is_kept_can_be_read(served: Any) -> None:
    """Units, each run's own page, its report, the comparison, known good: whatever lies in a home."""
    browser = served.sign_in("approver 1")
    rows = browser.get("/api/v1/runs").json()["runs"]
    for path in ("/units", "/bench", "/clamp", "/run", "/known", "/account", f"/units?q={rows[0]['serial']}"):
        assert browser.get(path).status_code == 200, path
    for row in rows:
        for path in (f"/units/{row['run']}", f"/units/{row['run']}?lines=all", f"/units/{row['run']}/report"):
            answer = browser.get(path)
            assert answer.status_code == 200 and row["serial"] in answer.text, (path, answer.text[:300])


def test_events_end_by_themselves_where_that_was_asked(served: Any) -> None:
    """A stream of server-sent events; nothing runs here, so it holds its first line only."""
    answer = served.sign_in("viewer 1").get("/api/v1/events", params={"seconds": 0.5})
    assert answer.headers["content-type"].startswith("text/event-stream") and answer.text == ": anglewright\n\n"


def test_a_lot_is_shown_with_the_plans_answer_and_decided_by_who_may(served: Any) -> None:
    """One bad unit of four at 100 %: not accepted; the decision with its reason, the plan's answer beside it."""
    import lot_samples

    store = served.panel.store
    lot = lot_samples.open_sample(store, lot_samples.a_file(), [f"PT-{n}" for n in range(1, 5)])
    lot_samples.run_all(store, lot, {lot.units[1].label: lot_samples.a_judgement(tr_sin=0.1)})
    viewer = served.sign_in("viewer 1")
    assert lot.name in viewer.get("/lots").text
    page = viewer.get(f"/lots/{lot.name}").text
    found = viewer.get(f"/api/v1/lots/{lot.name}").json()
    assert found["answer"] == "not accepted" and "Not accepted by the plan." in page and "PT-2" in page
    words = {"decision": "returned", "why": "one ratio low"}
    assert viewer.post(f"/api/v1/lots/{lot.name}/decision", json=words).status_code == 403
    made = served.sign_in("approver 1").post(f"/api/v1/lots/{lot.name}/decision", json=words)
    assert made.status_code == 201, made.text
    assert "one ratio low" in viewer.get(f"/lots/{lot.name}").text
    assert viewer.get("/lots/none").status_code == 404


def test_a_nights_page_says_what_happened_and_a_planned_one_what_stands_against_it(served: Any) -> None:
    """The morning page's headline, its looks; the list; a night that is not kept."""
    from rig.jobs.night.folder import freeze
    from rig.jobs.night.planning import add_looks
    from rig.jobs.night.queue import Queue
    from rig.jobs.run_job import Request

    request = {"sequence": "quick_screen", "part": "KX4-2207", "serial": "N-77"}
    folder = freeze([{"look": n, "request": request, "leg": "", "wait_s": 0.0} for n in (1, 2)], {}, served.panel.home)
    folder.begin_sitting()
    folder.note("look ended", look=1, leg="", run="", outcome="within limits", reason="")
    folder.note("ended", why="the stated end is reached", left=1, by="the key at the bench")
    folder.close()
    viewer = served.sign_in("viewer 1")
    page = viewer.get(f"/nights/{folder.id}").text
    assert "1 of 2 looks were not begun" in page and "N-77" in page
    assert folder.id in viewer.get("/nights").text and "Nothing is planned." in viewer.get("/nights").text
    add_looks(Queue(served.panel.home), Request(**request), times=2, every_min=5.0)
    assert "Readiness" in viewer.get("/nights").text
    assert viewer.get("/nights/none").status_code == 404


def test_a_serial_that_no_font_can_print_is_refused_before_a_controller_starts(
    served: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The character and what to install are named; nothing was started."""
    browser = served.sign_in("operator 2")
    monkeypatch.setattr("rig.certificate.page.fonts._settable", lambda text: text.isascii())
    body = {"sequence": "quick_screen", "part": "KX4-2207", "serial": "\u6f22\u5b57-7"}
    answer = browser.post("/api/v1/asks", json=body)
    assert answer.status_code in (400, 422), answer.text
    assert "no font here can print U+6F22" in answer.text and "apt install" in answer.json()["next_action"]
    assert not list((served.panel.home / "live").glob("*.sock")), "no controller was started"


def test_a_run_is_asked_for_by_names_that_are_here_never_by_a_path(
    served: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A part or world file elsewhere on the machine is no name; nothing is started."""
    monkeypatch.chdir(tmp_path)
    elsewhere = Path("secret.toml")
    elsewhere.write_text("password = 1\n")
    browser = served.sign_in("operator 2")
    whole = {"sequence": "full_test", "part": "KX4-2207", "serial": "S-1"}
    for words in ({"part": str(elsewhere)}, {"world": str(elsewhere)}, {"holder": str(elsewhere)}):
        answer = browser.post("/api/v1/asks", json=whole | words)
        assert answer.status_code == 400 and "no " in answer.json()["detail"] and "password" not in answer.text
    watched = browser.post("/api/v1/watches", json={"part": str(elsewhere), "coil": "sin"})
    assert watched.status_code == 400
    assert not list((served.panel.home / "live").glob("*.sock")), "no controller was started"


def test_a_suspect_run_says_so_before_its_verdict(served: Any) -> None:
    """In the list, and on its page above the headline; a run of before says nothing."""
    from rig.records.run.suspect import put_suspect

    store = served.panel.store
    good = next(run for run in store.ids() if store.find(run).header.serial == "93-00410")
    put_suspect(store.folder / good, {"instrument": "A-001", "role": "multimeter", "until": "2026-11-30"})
    viewer = served.sign_in("viewer 1")
    page = viewer.get(f"/units/{good}").text
    assert page.index("A-001 was found out of tolerance") < page.index("<h1")
    assert viewer.get("/units").text.count("Suspect") == 1
    words = {"decision": "cleared", "why": "another range was used"}
    assert "Do these figures stand?" not in page
    assert viewer.post(f"/api/v1/runs/{good}/suspects", json=words).status_code == 403
    approver = served.sign_in("approver 1")
    assert "Do these figures stand?" in approver.get(f"/units/{good}").text
    assert approver.post(f"/api/v1/runs/{good}/suspects", json=words | {"why": ""}).status_code == 422
    made = approver.post(f"/api/v1/runs/{good}/suspects", json=words)
    assert made.status_code == 201, made.text
    (row,) = viewer.get("/api/v1/suspects").json()["suspects"]
    assert (row["run"], row["state"], row["why"]) == (good, "cleared", words["why"])
    page = viewer.get(f"/units/{good}").text
    assert "Cleared." in page and "another range was used" in page and "Suspect" not in viewer.get("/units").text
