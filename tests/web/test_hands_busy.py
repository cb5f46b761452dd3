"""Guided pins and a lot's sitting over the interface: what a hand with two probes, or with a scanner, needs."""

import time
from typing import Any

from rig.jobs.lot.desk import NextUnit
from rig.web.live.sitting import PageDesk

OHMS = {frozenset("12"): "19.1", frozenset("35"): "6.9", frozenset("46"): "6.8", frozenset("78"): "10.2k"}
UNIT = NextUnit(lot="L-1", label="S01", listed="", box="", position=1, place=(1, 2), test="whole")


def test_pins_are_asked_pair_by_pair_until_every_circuit_is_known(serve: Any) -> None:
    """Eight pins, three coils and a thermistor: at most sixteen pairs and the core's; a draft, never written twice."""
    browser = serve().sign_in("operator 2")
    rows: list[dict[str, str]] = []
    while (said := browser.post("/api/v1/pins", json={"pins": "8", "rows": rows}).json())["next"] is not None:
        pair = said["next"]["pin_a"], said["next"]["pin_b"]
        rows.append({"pin_a": pair[0], "pin_b": pair[1], "ohm": OHMS.get(frozenset(pair), "OL")})
        assert len(rows) <= 20, rows
    assert said["found"]["excitation"] == ["1", "2"]
    assert sorted(said["found"]["outputs"]) == [["3", "5"], ["4", "6"]]
    for status in (201, 400):
        body = {"pins": "8", "rows": rows, "name": "found-1"}
        answer = browser.post("/api/v1/pins/drafts", json=body)
        assert answer.status_code == status or (status == 400 and answer.status_code in (409, 422)), answer.text
    assert "Type ohms" in browser.post(
        "/api/v1/pins", json={"pins": "8", "rows": [{"pin_a": "1", "pin_b": "2", "ohm": "?"}]}
    ).json().get("next_action", "")
    assert browser.post(
        "/api/v1/pins/drafts", json={"pins": "8", "rows": rows, "name": "../../etc/passwd"}
    ).status_code in (400, 422)


def test_a_scan_answers_no_question_and_nothing_is_taken_while_a_unit_is_tested() -> None:
    """The page's desk: keys answer, scans are passed over; a typed line alone gives a reason."""
    desk = PageDesk()
    desk.show(UNIT)
    assert desk.state()["unit"]["label"] == "S01" and "r" not in desk.state()["keys"]
    for kind, text in (("scan", "g-1234"), ("scan", "g"), ("line", "g"), ("key", "x"), ("key", "g")):
        assert desk.enter(kind, text)  # type: ignore[arg-type]
    assert desk.ask("S01: rub marks?", {"g": "good", "b": "bad"}) == "g"
    assert desk._entries.empty()
    assert desk.enter("key", "y") and desk.enter("scan", "why-1234") and desk.enter("line", "lost in the post")
    assert desk.line("why?") == "lost in the post"
    desk._set(running="S01")
    assert not desk.enter("scan", "PT-240712")
    begun_s = time.monotonic()
    desk.close()
    assert desk.read().kind == "end" and time.monotonic() - begun_s < 2.0


def test_a_sitting_has_to_be_begun_over_a_lot_that_is_open(serve: Any) -> None:
    """No lot, no sitting; no sitting, no entry."""
    browser = serve().sign_in("operator 2")
    assert browser.post("/api/v1/lots/L-9/sitting", json={}).status_code == 404
    said = browser.post("/api/v1/lots/L-9/sitting/entries", json={"kind": "scan", "text": "PT-1"})
    assert said.status_code == 409 and said.json()["next_action"] == "Begin one."
    assert browser.get("/api/v1/lots/L-9/sitting").json() == {"sitting": None}
