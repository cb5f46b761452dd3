"""The newest runs from their folders: the same lines as the index has, whatever state a run is in."""

import json
import shutil
from pathlib import Path

from rig.records.run.listing import newest_runs
from rig.records.store import Store

KEPT = next((Path(__file__).parents[2] / "fixtures" / "reference" / "runs" / "schema-1").iterdir())


def test_folders_and_index_list_the_same(tmp_path: Path) -> None:
    """A closed run, one that was judged again, one that was cut short: line by line equal, newest first."""
    runs = tmp_path / "runs"
    for day in (1, 2, 3):
        shutil.copytree(KEPT, runs / f"2026010{day}-080000-000{day}")
    again = json.loads((KEPT / "run.json").read_text())["judgement"] | {
        "outcome": "outside limits",
        "awaits": [{"kind": "plug", "title": "shorting plug", "do": "plug it on", "lines": ["r20_sin"]}],
    }
    (runs / "20260102-080000-0002" / "judgement-2.json").write_text(json.dumps(again | {"made": {}}))
    (runs / "20260103-080000-0003" / "run.json").unlink()
    listed = newest_runs(runs, 10)
    assert [one.outcome for one in listed] == ["incomplete", "outside limits", "within limits"]
    assert listed[1].awaits == "awaits a witness (shorting plug)"
    assert listed == list(Store(tmp_path).list())
    assert newest_runs(runs, 1) == listed[:1]


def test_a_damaged_run_hides_no_other(tmp_path: Path) -> None:
    """Without a readable header a run is listed by its id alone; a home without runs lists none."""
    assert newest_runs(tmp_path / "nowhere", 5) == []
    (tmp_path / "20260101-080000-0001").mkdir()
    (tmp_path / "20260101-080000-0001" / "journal.jsonl").write_bytes(b"\xff\x00")
    shutil.copytree(KEPT, tmp_path / "20260101-080000-0000")
    damaged, whole = newest_runs(tmp_path, 5)
    assert (damaged.serial, damaged.outcome) == ("", "incomplete") and whole.serial == "SCHEMA-1"
