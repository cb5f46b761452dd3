"""Learned limits from kept runs to a verdict: units taken in, a version approved, runs judged by it, judged again.

Runs are rehearsed on worlds without the wire (tests/evaluation/observed_from_world.py), of a part without limits.
"""

from __future__ import annotations

import json
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import archive_samples
import pytest
from click.testing import CliRunner, Result
from library_samples import PART, a_part
from observed_from_world import Rehearsal, world_of

from rig.cli.main import cli
from rig.description.loading import from_data
from rig.description.parts import PartFile
from rig.description.places import packaged_fixtures
from rig.jobs.run_job import Request, run_job
from rig.records.index.database import VARIABLE
from rig.records.run.old_traits import OLD_TRAITS
from rig.records.run.record import RunHeader
from rig.records.schema import dump, load
from rig.records.store import Store
from rig.result import Judgement
from rig.review.judge import judge_run
from rig.review.library.library import Library, limits_behind
from rig.uncertainty.conformity import Verdict

FULL_TEST = OLD_TRAITS["full_test"]

pytestmark = pytest.mark.xdist_group("learned_limits")  # one worker: the run behind these tests is made once

GOOD: dict[str, dict[str, Any]] = {
    "G-1": {"r20_sin_ohm": 15.05, "r20_cos_ohm": 15.04, "gap_mean_mm": 0.702},
    "G-2": {"r20_sin_ohm": 14.96, "r20_cos_ohm": 14.97, "gap_mean_mm": 0.698},
    "G-3": {"r20_sin_ohm": 15.00, "r20_cos_ohm": 15.01, "gap_mean_mm": 0.700},
    "G-4": {"r20_sin_ohm": 15.02, "r20_cos_ohm": 15.02, "gap_mean_mm": 0.701},
}
JUDGED: dict[str, dict[str, Any]] = {
    "S-1": {"r20_sin_ohm": 15.01, "r20_cos_ohm": 15.00, "gap_mean_mm": 0.7005},
    "S-2": {"r20_sin_ohm": 15.01, "r20_cos_ohm": 15.00, "gap_mean_mm": 0.7005, "faults": {"contact_sin_ohm": 3.0}},
}


@dataclass(frozen=True)
class Shop:
    """A home with the good units' runs, and the readings of units still to be judged."""

    home: Path
    runs: dict[str, str]


def rehearsed(store: Store, serial: str, part: dict[str, Any], learned: Any = None, **header: Any) -> str:
    """A full test of a world's part, kept and judged; its id."""
    seed = sum(map(ord, serial))
    world = world_of({"seed": seed, "part": {"gap_scatter": 0.003, **part}})
    obs = Rehearsal(world, 1).dc().loopback().excite().sweep().impedances(()).observed()
    told: dict[str, Any] = {"part": a_part(), "learned": learned, "sequence": "full_test", "serial": serial}
    return archive_samples.stored(store, obs, **(told | header)).id


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Shop:
    home = tmp_path_factory.mktemp("shop")
    with pytest.MonkeyPatch.context() as patch:
        patch.delenv(VARIABLE, raising=False)
        store = Store(home)
        return Shop(home, {serial: rehearsed(store, serial, part) for serial, part in {**GOOD, **JUDGED}.items()})


@pytest.fixture
def store(shop: Shop, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Store:
    """A copy of the shop's home, with the good units in the library and a version approved."""
    monkeypatch.delenv(VARIABLE, raising=False)
    monkeypatch.setenv("ANGLEWRIGHT_HOME", str(tmp_path / "home"))
    shutil.copytree(shop.home / "runs", tmp_path / "home" / "runs")
    for serial in GOOD:
        said("known", "add", shop.runs[serial], "--how", "ran in a machine", "--by", "operator 1")
    said("known", "approve", PART, "--by", "operator 2")
    return Store(tmp_path / "home")


def said(*words: str, status: int = 0) -> Result:
    done = CliRunner().invoke(cli, words)
    assert done.exit_code == status, done.output + done.stderr
    return done


def judged(store: Store, run: str, serial: str) -> Judgement:
    """The run judged as it would have been, had it been begun now."""
    part = from_data(PartFile, a_part(), "part").part()
    frozen = limits_behind(store, part, serial, FULL_TEST, simulated=True)
    return judge_run(store.find(run), learned=frozen)


def test_a_part_that_nobody_knows_is_judged_by_the_fall_back(shop: Shop, tmp_path: Path) -> None:
    """Nothing learned, nothing published: sibling symmetry and sanity, named so, line by line."""
    store, run = Store(tmp_path), Store(shop.home).find(shop.runs["S-1"])
    part = from_data(PartFile, a_part(), "part").part()
    found = judge_run(run, learned=limits_behind(store, part, "S-1", FULL_TEST, simulated=True))
    assert {line.limit.origin for line in found.judged if line.limit} == {"shop fall-back"}
    line = found.line("tr_imbalance")
    assert line is not None and line.verdict is Verdict.PASS
    assert any("sibling symmetry and physical sanity" in note for note in found.notes)


def test_a_line_without_a_limit_takes_the_learned_one(shop: Shop, store: Store) -> None:
    """Where it comes from stands with the limit: learned from n parts, version, provisional; the fall-back keeps what
    nobody could learn (leaks above the range); and the opinion whether it is like the others is marked as one."""
    found = judged(store, shop.runs["S-1"], "S-1")
    line = found.line("r20_sin")
    assert line is not None and line.limit is not None and line.verdict is Verdict.PASS
    assert line.limit.origin == "learned" and line.limit.note.startswith("learned from 4 parts, version 1, provisional")
    leak, error = found.line("leak_exc_core"), found.line("error_max_elec_arcmin")
    assert leak is not None and leak.limit is not None and leak.limit.origin == "shop fall-back"
    assert error is not None and error.limit is not None and error.limit.required and error.limit.lower is None
    assert any(note.startswith("Learned limits: from 4 parts, version 1, provisional") for note in found.notes)
    assert any(note.startswith("Opinion: ") and "prediction interval of the 4" in note for note in found.notes)


def test_a_part_files_limit_takes_precedence(shop: Shop, store: Store) -> None:
    """A limit on the mechanical error keeps the learned electrical one out: they are one line; nothing falls back."""
    own = [
        {"measurand": "error_max_mech_arcmin", "upper": 20.0, "origin": "customer"},
        {"measurand": "r20_sin", "lower": 14.0, "upper": 16.0, "origin": "maker"},
    ]
    part = from_data(PartFile, a_part(limits=own), "part").part()
    frozen = limits_behind(store, part, "S-1", FULL_TEST, simulated=True)
    found = judge_run(store.find(shop.runs["S-1"]), part=part, learned=frozen)
    origins = {line.measurand: line.limit.origin for line in found.judged if line.limit}
    assert origins["r20_sin"] == "maker" and origins["r20_cos"] == "learned" and "leak_exc_core" not in origins
    assert origins["error_max_mech_arcmin"] == "customer" and "error_max_elec_arcmin" not in origins
    assert not any(line.limit.required for line in found.judged if line.limit and line.limit.origin == "learned")


def test_limits_that_were_learned_otherwise_are_not_used(shop: Shop, store: Store) -> None:
    """Another excitation than the teachers', or simulated teachers for a real unit: not used, and said so."""
    excitation = {**a_part()["excitation"], "frequency_hz": 8000.0}
    for part, simulated, why in ((a_part(excitation=excitation), True, "8000 Hz"), (a_part(), False, "simulated")):
        described = from_data(PartFile, part, "part").part()
        frozen = limits_behind(store, described, "S-1", FULL_TEST, simulated=simulated)
        assert frozen is not None and why in frozen["note"] and frozen["version"] == 0
        assert {row["origin"] for row in frozen["limits"]} == {"shop fall-back"}


def test_the_unit_that_is_judged_never_teaches_by_another_run(shop: Shop, store: Store) -> None:
    """G-2 judged again is measured against G-1, G-3 and G-4 alone, and says so."""
    found = judged(store, shop.runs["G-2"], "G-2")
    line = found.line("r20_sin")
    assert line is not None and line.limit is not None and "learned from 3 parts" in line.limit.note
    assert "learned without G-2" in line.limit.note
    assert any("from 3 parts, without G-2 itself" in note for note in found.notes)


def test_kept_runs_are_judged_by_a_newer_version_and_tell_what_changed(shop: Shop, store: Store) -> None:
    """One run, then the archive: the bad sine contact is caught by the learned limit, the old judgement stays, a
    second version changes the limits and the report names them; the campaign keeps the version it began with."""
    bad = shop.runs["S-2"]
    told = json.loads(said("unit", "judge", bad, "--learned", "newest", "--json").stdout)
    assert told["outcome"] == ["measured, no limits", "outside limits"]
    line = next(line for line in told["lines"] if line["measurand"] == "r20_sin")
    assert line["verdict"] == ["no limit", "fail"] and "version 1" in line["limit"][1]["note"]
    assert [one.judgement.outcome for one in store.find(bad).evaluations] == ["measured, no limits", "outside limits"]
    assert "nothing changed" in said("unit", "judge", bad, "--learned", "1").output
    said("known", "withdraw", PART, "G-1", "--why", "turned out to be repaired", "--by", "operator 1")
    said("known", "approve", PART, "--by", "operator 2")
    again = json.loads(said("unit", "judge", bad, "--learned", "newest", "--json").stdout)
    moved = {line["measurand"]: line["limit"] for line in again["lines"] if "limit" in line}
    assert "version 1" in moved["r20_sin"][0]["note"] and "from 3 parts, version 2" in moved["r20_sin"][1]["note"]


def test_a_campaign_keeps_the_version_it_began_with(shop: Shop, store: Store) -> None:
    """The archive judged by learned limits; another choice under the same name is refused."""
    report = json.loads(said("unit", "judge", "--campaign", "c1", "--learned", "1", "--json").stdout)
    assert report["summary"]["runs"] == 6 and not report["faults"]
    assert report["summary"]["outcomes"]["measured, no limits -> outside limits"] >= 1
    line = next(line for line in report["runs"][shop.runs["G-1"]]["lines"] if line["measurand"] == "r20_sin")
    assert "learned without G-1" in line["limit"][1]["note"]
    assert "choice of learned limits" in said("unit", "judge", "--campaign", "c1", status=2).stderr
    assert "of version 7" in said("unit", "judge", shop.runs["S-1"], "--learned", "7", status=2).stderr


def test_the_report_prints_where_the_limits_come_from(shop: Shop, store: Store) -> None:
    """Version, number of parts, provisional, who approved it: on every face."""
    run = rehearsed_copy(store, shop.runs["S-1"])
    said("report", "issue", run)
    folder = store.folder / run
    data = (folder / "certificate.json").read_text(encoding="utf-8")
    assert "from 4 parts, version 1, provisional, approved by operator 2" in data
    assert "learned from 4 parts, version 1, provisional" in (folder / "certificate.xml").read_text(encoding="utf-8")


def test_a_run_on_a_bench_is_given_its_limits_before_the_first_reading(
    shop: Shop, store: Store, tmp_path: Path
) -> None:
    """The journal's first line holds the version in force; what is approved later changes nothing of the run. A quick
    screen measures only the lines at rest as the teachers' full tests did: the others are left to the fall-back."""
    source = (packaged_fixtures() / "parts" / "KX4-2207.toml").read_text(encoding="utf-8")
    part = tmp_path / "px1.toml"
    part.write_text(source.partition("[[limits]]")[0].replace("KX4-2207", PART), encoding="utf-8")
    finished = run_job(Request(sequence="quick_screen", part=str(part), serial="N-1", world="good_4"))
    first = finished.stored.journal.of("header")[0]["learned"]
    assert (first["version"], first["n"], first["approved_by"]) == (1, 4, "operator 2")
    line = finished.judgement.line("r20_sin")
    assert line is not None and line.limit is not None and "version 1" in line.limit.note
    ratio = finished.judgement.line("tr_sin")
    assert ratio is not None and ratio.limit is not None and ratio.limit.origin == "shop fall-back"  # not swept
    said("known", "approve", PART, "--by", "operator 3")
    assert "nothing changed" in said("unit", "judge", finished.stored.id).output


def rehearsed_copy(store: Store, run: str) -> str:
    """The same readings as a run that was begun after the approval: its header holds the limits."""
    old = store.find(run)
    part = from_data(PartFile, a_part(), "part").part()
    learned = limits_behind(store, part, "S-9", FULL_TEST, simulated=True)
    header = {**dump(old.header), "run": "", "serial": "S-9", "learned": learned}
    folder = store.begin(load(RunHeader, header, "header"))
    for reading in old.readings:
        folder.journal.append("reading", reading.to_dict())
    folder.close()
    shutil.copy(old.path / "raw.h5", folder.path / "raw.h5")
    judgement = judge_run(store.find(folder.id))
    assert judgement.outcome in ("within limits", "undecided")
    assert Library(store).to_judge(PART, "S-9") is not None
    return store.finish(folder, judgement=judgement).id
