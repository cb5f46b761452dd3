"""The command line: bad input gets one clear message and its exit status, and leaves nothing half-written."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from types import ModuleType

import click
import pytest
from click.testing import CliRunner, Result

from rig.cli.group import Word, Words
from rig.cli.main import cli
from rig.description.places import packaged_fixtures
from rig.result import EXIT_MEANINGS


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("ANGLEWRIGHT_HOME", str(tmp_path / "home"))
    monkeypatch.chdir(tmp_path)
    return tmp_path / "home"


def call(*words: str) -> Result:
    return CliRunner().invoke(cli, list(words))


def refused(result: Result, status: int, *told: str) -> None:
    assert result.exit_code == status, result.output
    assert result.stdout == ""
    for text in told:
        assert text in result.stderr, result.stderr
    assert "Traceback" not in result.stderr


RUN = ("run", "full_test", "--serial", "S-1")


def test_an_unknown_part_names_the_nearest_and_where_it_looked(home: Path) -> None:
    """An unknown part: status 2, the nearest known name, the places; no run is begun."""
    refused(call(*RUN, "--part", "KX4-2270"), 2, "KX4-2270", "KX4-2207", str(home / "parts"))
    assert not (home / "runs").exists()


def test_an_unknown_sequence_names_the_nearest() -> None:
    """An unknown sequence: status 2 and the nearest known one."""
    refused(call("run", "full_tset", "--part", "KX4-2207", "--serial", "S"), 2, "full_tset", "full_test")


def test_an_unknown_holder_bench_or_world_is_told() -> None:
    """An unknown holder, bench or world: status 2 and the known names."""
    refused(call(*RUN, "--part", "KX4-2207", "--holder", "adapter_9"), 2, "adapter_9", "adapter_8")
    refused(call(*RUN, "--part", "KX4-2207", "--bench", "no_such_bench"), 2, "no_such_bench")
    refused(call(*RUN, "--part", "KX4-2207", "--world", "god_4"), 2, "god_4", "good_4")
    refused(call("bench", "truth", "god_4"), 2, "god_4", "good_4")


def test_a_malformed_part_file_is_told_by_line_and_key(tmp_path: Path) -> None:
    """Each fault of a part file names file, line, key, and the nearest known key."""
    text = (packaged_fixtures() / "parts" / "KX4-2207.toml").read_text()
    bad = tmp_path / "bad.toml"
    bad.write_text(text.replace("ceiling_v_rms", "ceilng_v_rms").replace("pole_pairs = 4", "pole_pairs = 0"))
    lines = bad.read_text().splitlines()
    key_line = next(n for n, line in enumerate(lines, 1) if "ceilng" in line)
    pole_line = next(n for n, line in enumerate(lines, 1) if line.startswith("pole_pairs"))
    refused(
        call(*RUN, "--part", str(bad)),
        2,
        f"bad.toml:{key_line}",
        "'ceiling_v_rms'",
        f"bad.toml:{pole_line}: pole_pairs",
    )
    bad.write_text(text.replace("pole_pairs = 4", "pole_pairs = = 4"))
    refused(call(*RUN, "--part", str(bad)), 2, "bad.toml", f"line {pole_line}")


def test_an_unknown_key_of_a_world_is_refused_with_the_nearest(tmp_path: Path) -> None:
    """A world with an unknown key, an odd tooth count or a closing gap is refused with a reason."""
    world = tmp_path / "w.toml"
    for text, told in (
        ("[axis]\nfullsteps = 200\n", "full_steps"),
        ("[part]\nteeth = 15\n", "teeth"),
        ("[part]\nlobe_mm = 0.9\n", "gap"),
    ):
        world.write_text(text)
        refused(call("bench", "truth", str(world)), 2, "w.toml", told)


def test_a_manual_entry_that_cannot_be_read_is_refused() -> None:
    """A manual entry without a value, or a qualifier without a number: status 2 and an example."""
    refused(call(*RUN, "--part", "KX4-2207", "--entry", "visual"), 2, "visual", "NAME=VALUE")
    refused(call(*RUN, "--part", "KX4-2207", "--entry", "insulation=>high"), 2, ">", "number")


def test_an_instrument_that_is_not_there_is_named(tmp_path: Path) -> None:
    """A bench whose generator refuses the connection: status 4, the instrument named; no run is begun."""
    text = (packaged_fixtures() / "benches" / "simulated.toml").read_text()
    bench = tmp_path / "mine.toml"
    text = text.replace('world = "good_4"\n', "").replace("[generator]\n", '[generator]\nlink = "tcp://127.0.0.1:1"\n')
    for role in ("multimeter", "sampler", "switch", "interlock"):
        text = text.replace(f"[{role}]\n", f'[{role}]\nlink = "tcp://127.0.0.1:1"\n')
    for role in ("axis", "encoder", "climate"):
        text = text.replace(f"[{role}]\n", f'[{role}]\nlink = "serial:///dev/no-such-port"\n')
    bench.write_text(text)
    refused(call(*RUN, "--part", "KX4-2207", "--bench", str(bench)), 4, "generator")


def test_a_run_that_is_not_there_is_told() -> None:
    """An unknown run id: status 2."""
    refused(call("unit", "20200101-000000-0000"), 2, "20200101-000000-0000")
    refused(call("report", "issue", "20200101-000000-0000"), 2, "20200101-000000-0000")


def test_no_runs_yet() -> None:
    """An empty home has no runs, and says so in both forms."""
    assert call("unit").stdout.strip() == "no runs yet"
    assert json.loads(call("unit", "--json").stdout) == {"runs": []}


def test_truth_is_one_json_document() -> None:
    """bench truth prints the part as clamped and as centred, its curve and orders."""
    document = json.loads(call("bench", "truth", "good_4", "--clamping", "2").stdout)
    assert {"as_clamped", "centred", "curve", "orders_mech_arcmin"} <= set(document)
    assert document["clamping"] == 2


def leaves(group: click.Group) -> list[click.Command]:
    found: list[click.Command] = []
    for one in group.commands.values():
        found += leaves(one) if isinstance(one, click.Group) else [one]
    return found


def test_a_fault_of_the_program_has_a_status_of_its_own(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No verdict's status: 6, a message in plain words, and the traceback in the file that it names."""
    monkeypatch.setattr("rig.jobs.kept.listing.kept_runs", lambda **_: 1 / 0)
    result = call("unit")
    refused(result, 6, "fault of the program", "ZeroDivisionError", "No verdict", str(home / "faults"))
    (file,) = (home / "faults").iterdir()
    assert str(file) in result.stderr
    text = file.read_text()
    assert "Traceback" in text and "1 / 0" in text and "anglewright" in text


def test_a_fault_in_judging_a_run_names_the_run_that_is_kept(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """`run` and `judge`: status 6, and what was read is kept under the id that the message names."""

    def fails(*_: object, **__: object) -> None:
        raise ZeroDivisionError("in judging")

    from rig.jobs.run_job import run_job

    monkeypatch.setattr("rig.review.judge.evaluate", fails)
    monkeypatch.setattr("rig.cli.pages.live.run_shown", lambda request, quiet: run_job(request))  # in this process
    result = call("run", "index", "--part", "KX4-2207", "--serial", "S-1")
    (run,) = (home / "runs").iterdir()
    assert result.exit_code == 6 and result.stdout == ""
    assert f"The run is kept as {run.name}" in result.stderr
    refused(call("unit", "judge", run.name), 6, "in judging", "faults")


def test_a_fault_without_a_place_to_write_shows_its_traceback(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A full disk or a forbidden home: the text to send stands in the message."""
    home.mkdir()
    (home / "faults").write_text("in the way")
    monkeypatch.setattr("rig.jobs.kept.listing.kept_runs", lambda **_: 1 / 0)
    result = call("unit")
    assert result.exit_code == 6 and "1 / 0" in result.stderr and "no file" in result.stderr


@pytest.mark.parametrize(
    ("fault", "status", "words"),
    [
        (RuntimeError("of ours"), 6, "RuntimeError: of ours"),
        (AssertionError("of ours"), 6, "AssertionError"),
        (RecursionError("deep"), 6, "RecursionError"),
        (OSError("no file named"), 6, "OSError"),
        (PermissionError(13, "Permission denied", "/a/file"), 2, "/a/file: Permission denied"),
        (KeyboardInterrupt(), 5, "stopped by hand"),
        (click.Abort(), 5, "stopped by hand"),
    ],
)
def test_every_command_is_under_the_roof(
    fault: BaseException, status: int, words: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No exception of any command leaves status 1, which means outside limits."""

    def fails(**_: object) -> None:
        raise fault

    assert isinstance(cli, Words)
    module = ModuleType("words_that_fail")
    module.x = click.Command("x", callback=fails)  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, module.__name__, module)
    top = Words("top", words=[Word("x", "", "", "", "words_that_fail:x")])
    refused(CliRunner().invoke(top, ["x"]), status, words)


def test_the_readme_tells_every_exit_status() -> None:
    """Each status with its meaning, in the words of the table that the program works by."""
    readme = (Path(__file__).parents[2] / "README.md").read_text().replace("\n", " ").lower()
    for status, meaning in EXIT_MEANINGS.items():
        assert f"{status} {meaning}" in readme, (status, meaning)
