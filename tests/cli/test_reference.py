"""The commands: a person's ten words, a page made from the code, and every example executed as it is printed."""

import os
import shlex
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

sys.path.insert(0, str(Path(__file__).parents[1] / "certificate"))
import sample

from drivers.shelf import start_simulated
from rig.cli.main import WORDS, cli
from rig.cli.reference import entries, page

TOP = Path(__file__).parents[2]
FIRST = ("anglewright demo", "anglewright demo shorted", "anglewright run full_test --part KX4-2207 --serial 4L-00871")
FAILS = {
    "anglewright demo shorted": 1,
    "anglewright pins ask 8 --lead-ohm 0.2": 3,
    "anglewright night stop": 2,
    "anglewright lot study G-1": 2,
    "anglewright bench validate --old 20261125-101500-aaaa --new 20261201-101500-bbbb --by 'bench lead'": 2,
    "anglewright job due": 2,
    "anglewright lot close L-0046 --decision returned --why 'two were not tested' --by 'operator 2'": 3,
}  # exit status other than 0
TYPED = {
    "anglewright run teach my-adapter --part KX4-2207": "\n" * 40,
    "anglewright pins ask 8 --lead-ohm 0.2": "\n",
}  # what a person types
WHOLE_SETS = (
    "run reclock",
    "run recheck",
    "run remount",
)  # sets of runs: tests/whole_runs/test_re*_on_the_simulated_bench.py
LAST = ("known withdraw", "report withdraw", "night stop", "job erase")


def test_there_are_at_most_ten_words() -> None:
    """Ten words at the most are listed, each under a moment and with an example."""
    listed = [word for word in WORDS if word.moment]
    assert 5 < len(listed) <= 10
    shown = CliRunner().invoke(cli, ["--help"]).output
    for word in listed:
        assert word.example in shown and word.moment in shown


def test_every_command_has_its_help_and_its_example() -> None:
    """Each says what it does and gives one example that begins with its own words."""
    listed = list(entries())
    assert len(listed) > 30
    for entry in listed:
        assert entry.text.endswith("."), entry.words
        assert entry.example.startswith("anglewright "), entry.words
        assert all(text for _, text in entry.options), entry.words


def test_the_page_of_commands_is_made_from_the_code() -> None:
    """rig/cli/REFERENCE.md is what `python -m rig.cli.reference` prints."""
    assert (TOP / "rig" / "cli" / "REFERENCE.md").read_text(encoding="utf-8") == page()


def execute(example: str) -> Result:
    """An example as it is printed, through the command line."""
    words = shlex.split(example)
    assert words[0] == "anglewright"
    return CliRunner().invoke(cli, words[1:], input=TYPED.get(example, ""))


@pytest.mark.timeout(1800)  # forty examples, a dozen whole runs: long on a busy machine
def test_every_example_does_what_it_says(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """All examples of words and commands, in one home of an invented shop, leave with the status that they should."""
    monkeypatch.setenv("ANGLEWRIGHT_HOME", str(tmp_path / "home"))
    (tmp_path / "work").mkdir()
    monkeypatch.chdir(tmp_path / "work")
    (tmp_path / "work" / "fixtures").symlink_to(TOP / "fixtures")
    examples = dict.fromkeys([*FIRST, *(e.example for e in entries()), *(word.example for word in WORDS)])
    last = [one for one in examples if any(words in one for words in LAST)]
    wrong = []
    for example in [*(one for one in examples if one not in last), *last]:
        if any(words in example for words in WHOLE_SETS):
            continue
        if " bench simulate " in example:
            serves(example)
            continue
        if " bench new " in example:
            makes_a_bench_file(example)
            continue
        before = prepare(example)
        assert before is None or before.exit_code == 0, before.output
        done = execute(example)
        if done.exit_code not in expected(example):
            wrong.append(f"{example}: {done.exit_code}\n{done.output[-400:]}\n{done.exception!r}")
    assert not wrong, "\n\n".join(wrong)


def expected(example: str) -> tuple[int, ...]:
    """Exit statuses that an example may leave with; a recording without witnesses may be undecided."""
    return (0, 3) if " unit read " in example else (FAILS.get(example, 0),)


def prepare(example: str) -> Result | None:
    """What has to be there before an example can be asked for."""
    if example == "anglewright pins of latest":
        return execute("anglewright run pins --part unlabelled --serial U-1")
    if example.startswith("anglewright run witness"):
        return execute("anglewright run full_test --part KX4-2207 --serial 4L-00871")
    if example.startswith("anglewright known approve"):
        for n, serial in enumerate(("4L-1", "4L-2", "4L-3")):
            part = {**sample.PART, "number": "KX4-2207"}
            header = sample.a_header(part=part, serial=serial, started_utc=f"2026-11-25T1{n}:15:00Z")
            sample.stored(Path(os.environ["ANGLEWRIGHT_HOME"]), sample.good(), header)
            added = execute(f"anglewright known add {serial} --how 'new' --by 'operator 2'")
        return added
    return None


def serves(example: str) -> None:
    """A served bench prints its links and ends with an interrupt."""
    words = [sys.executable, "-m", "rig", *shlex.split(example)[1:]]
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True, cwd=TOP) as served:
        assert served.stdout is not None
        assert '"links"' in served.stdout.readline()
        served.send_signal(signal.SIGINT)
        assert served.wait(20) == 0


def makes_a_bench_file(example: str) -> None:
    """On a bench that is served: the links that a search would find are given beside the printed words."""
    with start_simulated(TOP / "fixtures" / "worlds" / "good_4.toml") as served:
        links = [word for url in served.links.values() for word in ("--link", url)]
        words = [*links, "--no-search", "--yes", "--answer", f"clock={served.clock}"]
        words += ["--answer", "generator.amplifier_gain=2.0"]
        done = execute(shlex.join([*shlex.split(example), *words]))
    assert done.exit_code == 0, done.output
