"""How a bench's axis stands, from what is kept beside it; what leaves a correction aside, and what brings it back."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from rig.errors import UsageError
from rig.jobs.bench import axis_standing as standing
from rig.jobs.bench import reclock
from rig.records.calibrations import Calibration, Calibrations

BENCH, DAYS, NOW = "b", 90.0, "2026-12-10T08:00:00Z"


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("ANGLEWRIGHT_HOME", str(tmp_path))
    return tmp_path


def keep(kind: str, made_utc: str, **data: Any) -> None:
    Calibrations().save(Calibration(kind=kind, bench=BENCH, made_utc=made_utc, data=data, run="r1 r2"))


def keep_correction(made_utc: str = "2026-12-08T08:00:00Z", checked: bool = True) -> None:
    rows = [{"order": 1, "applied": True}, {"order": 4, "applied": False}]
    agreed = {"what": "another master"} if checked else None
    keep("positioner", made_utc, orders=rows, part="M-4", serial="7", checked_with=agreed)


def now() -> Any:
    return standing.axis_standing(BENCH, NOW, DAYS)


def test_nothing_is_kept_of_a_new_bench() -> None:
    """The next step is named."""
    assert now() is None
    assert "run reclock" in standing.axis_sentence(None)
    with pytest.raises(UsageError, match="no correction to void"):
        reclock.void(BENCH, "coupling opened", "operator 2")


def test_a_correction_waits_for_its_check_and_ages() -> None:
    """Shown with the reason; applied once checked and young enough."""
    keep_correction(checked=False)
    assert not now()["applied"]
    assert "not applied: no second part" in standing.axis_sentence(now())
    keep_correction("2026-12-09T08:00:00Z")
    assert now()["applied"] and now()["orders"] == [1]
    assert "checked with another master" in standing.axis_sentence(now())
    old = standing.axis_standing(BENCH, "2027-04-01T08:00:00Z", DAYS)
    assert old is not None and old["why_not"] == ["older than 90 days"]


def test_a_recheck_is_due_after_a_week_and_a_failed_one_takes_it_out_of_force() -> None:
    """The next one that passes brings it back."""
    keep_correction("2026-12-01T08:00:00Z")
    assert now()["recheck_due"]
    keep("recheck", "2026-12-09T08:00:00Z", beyond=True)
    assert not now()["applied"] and "beyond the limits" in now()["why_not"][0]
    keep("recheck", "2026-12-09T09:00:00Z", beyond=False)
    assert now()["applied"] and not now()["recheck_due"]
    assert "rechecked 2026-12-09" in standing.axis_sentence(now())


def test_a_person_can_void_it() -> None:
    """Coupling opened: void from that moment, with the words."""
    keep_correction("2026-11-30T08:00:00Z")
    reclock.void(BENCH, "coupling opened", "operator 2")
    later = standing.axis_standing(BENCH, "2099-01-01T08:00:00Z", 1e6)
    assert later is not None and later["why_not"] == ["it was made void: coupling opened"]


def test_the_mean_of_ten_parts_shows_an_axis_that_moved(monkeypatch: pytest.MonkeyPatch) -> None:
    """What each part leaves averages out, what the axis moved by does not; nine parts say nothing."""
    keep_correction()
    kept = reclock.kept_correction(BENCH)
    assert kept is not None

    def result(size: float, phase: float) -> Any:
        return SimpleNamespace(estimate=size, conditions={"phase_deg": phase})

    def run(i: int, size: float, phase: float, under: str = "r1 r2") -> Any:
        judged = [SimpleNamespace(measurand=f"order_{n}_mech_arcmin", result=result(size, phase)) for n in (1, 2)]
        header = SimpleNamespace(calibration={"positioner": {"run": under}}, part={"pole_pairs": 4})
        return SimpleNamespace(serial=f"S{i}", run=str(i), header=header, judgement=SimpleNamespace(judged=judged))

    def means(runs: list[Any]) -> dict[int, float]:
        by_id = {one.run: one for one in runs}
        monkeypatch.setattr(standing, "Store", lambda: SimpleNamespace(list=lambda most: runs, find=by_id.__getitem__))
        return standing.mean_of_parts(kept)

    round_the_clock = [run(i, 0.3, 36.0 * i) for i in range(10)]
    assert means(round_the_clock)[1] == pytest.approx(0.0, abs=1e-9)
    assert means([run(i, 0.3, 10.0) for i in range(10)])[1] == pytest.approx(0.3)
    assert means(round_the_clock[:9]) == {}
    assert means([*round_the_clock[:9], run(9, 0.3, 0.0, under="older")]) == {}
