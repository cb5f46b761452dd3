"""The live picture: the growing error from phasors, whichever way the part turns, and what a late page gets."""

import json

import numpy as np
import pytest

from rig.jobs.controller.frames import Message
from rig.web.live.curve import Passes
from rig.web.live.picture import Picture


def _phasor(place_steps: int, steps: int, p: int, sign: int, error_arcmin: float, series: str) -> dict[str, object]:
    turn = 2.0 * np.pi * place_steps / steps
    angle = sign * p * turn + np.radians(error_arcmin / 60.0) * sign + 0.3
    carrier = 9.9 * np.exp(0.4j)
    sine, cosine = (0.3 * part * np.exp(0.09j) * carrier for part in (np.sin(angle), np.cos(angle)))
    pairs = {name: [float(z.real), float(z.imag)] for name, z in (("exc_v", carrier), ("sin", sine), ("cos", cosine))}
    return {"series": series, "conditions": {"position_steps": place_steps}, **pairs}


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("p", [1, 2, 4, 5])
def test_the_error_grows_as_it_is(p: int, sign: int) -> None:
    """20' twice a turn comes out within 0.1', for every number of pole pairs and both senses of rotation."""
    passes = Passes(p, 3200)
    for n in range(320):
        error = 20.0 * np.sin(2 * 2 * np.pi * n / 320)
        passes.add(_phasor(10 * n, 3200, p, sign, error, "sweep_ccw"))
    found = passes.points(0)
    assert found["n"] == 320 and found["way"] == [1] * 320
    error = np.asarray(found["error"]) - found["shift"]
    assert np.abs(error - 20.0 * np.sin(2 * np.radians(found["place"]))).max() < 0.1
    assert found["largest"] == pytest.approx(20.0, abs=0.2)


def test_a_page_gets_only_what_it_has_not_seen() -> None:
    """Points behind its own, in the same epoch; all of them after the sense of rotation turned out otherwise."""
    passes = Passes(4, 3200)
    for n in range(40):
        passes.add(_phasor(10 * n, 3200, 4, 1, 0.0, "sweep_ccw"))
    first = passes.points(0)
    for n in range(40, 50):
        passes.add(_phasor(10 * n, 3200, 4, 1, 0.0, "sweep_ccw"))
    later = passes.points(first["n"], first["epoch"])
    assert (later["since"], len(later["place"]), later["n"]) == (40, 10, 50)
    assert passes.points(40, first["epoch"] - 1)["since"] == 0
    assert passes.points(999, first["epoch"])["since"] == 0, "a page that has more than there is begins anew"


def test_what_is_no_pass_is_no_point() -> None:
    """The ramp, the loopback, a capture without excitation."""
    passes = Passes(4, 3200)
    passes.add(_phasor(0, 3200, 4, 1, 0.0, "ramp"))
    passes.add({**_phasor(0, 3200, 4, 1, 0.0, "sweep_ccw"), "exc_v": [0.0, 0.0]})
    assert passes.points(0)["n"] == 0


def test_the_picture_of_a_late_viewer_is_that_of_an_early_one() -> None:
    """A snapshot with all phasors, against the same messages one by one."""
    run = {"kind": "run", "id": "r1", "pole_pairs": 4, "steps_per_turn": 3200, "steps": [["a", "A"], ["b", "B"]]}
    phasors = [
        {"kind": "phasors", "n": n, "index": n, **_phasor(10 * n, 3200, 4, 1, 5.0, "sweep_ccw")} for n in range(20)
    ]
    early, late = Picture(), Picture()
    for head in (run, *phasors):
        early.take(Message(head))
    rest = {"state": "running", "line": {"state": "LIVE"}, "progress": None, "question": None, "ended": None}
    late.take(Message({"kind": "snapshot", "ask": {}, "run": run, "phasors": phasors, "arming": {}, **rest}))
    assert early.points(0, 0) == late.points(0, 0)
    assert late.state()["run"]["id"] == "r1" and json.dumps(late.state())


def test_a_record_is_thinned_to_what_a_screen_shows() -> None:
    """Codes to volts by scale and offset, at most 160 of each channel."""
    picture = Picture()
    codes = np.arange(2 * 400, dtype="<i2").reshape(2, 400)
    head = {
        "kind": "frame",
        "channels": ["exc_v", "sin"],
        "samples": 400,
        "type": "<i2",
        "sample_rate_hz": 1e5,
        "scale_v": [0.5, 0.001],
        "offset_v": [1.0, 0.0],
    }
    picture.take(Message(head, codes.tobytes()))
    record = picture.record()
    assert record is not None and [len(row) for row in record["volts"]] == [160, 160]
    assert record["volts"][0][:3] == [1.0, 1.5, 2.0] and record["volts"][1][0] == pytest.approx(0.4)
