"""The interlock between two runs: an open guard, a pressed stop and a lost link end what a hand has armed."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from drivers.shelf import SimulatedBench, start_simulated
from rig.control.arming.between_runs import watch_between_runs
from rig.description.benches import BenchFile, load_bench
from rig.description.places import find
from rig.jobs.bench.look import pointing_bench


def never() -> bool:
    return False


@contextmanager
def served(folder: Path, *keys: str) -> Iterator[tuple[SimulatedBench, BenchFile]]:
    """The good part's bench with keys of its interlock, in service at the fast clock, and its bench file."""
    world = folder / "world.toml"
    text = find("world", "good_4").read_text(encoding="utf-8")
    world.write_text(text + "\n[interlock]\n" + "\n".join(keys) + "\n", encoding="utf-8")
    with start_simulated(world, speed="fast") as bench:
        path = folder / "served.toml"
        path.write_text(pointing_bench(bench.clock, bench.links), encoding="utf-8")
        yield bench, load_bench(str(path))


def test_nothing_happens_and_the_time_passes(tmp_path: Path) -> None:
    """Two hours of bench time with the guard closed, and none once the night is over."""
    with served(tmp_path) as (_, file):
        assert watch_between_runs(file, 7200.0, never) is None
        asked: list[int] = []

        def is_over() -> bool:
            asked.append(1)
            return len(asked) > 3

        assert watch_between_runs(file, 7200.0, is_over) is None and len(asked) == 4


@pytest.mark.parametrize(
    ("keys", "code", "words"),
    [
        ("guard_open_s = [[300.0, 330.0]]", "guard-open", "between two runs the guard is open"),
        ("emergency_stop_at_s = 300.0", "emergency-stop", "the emergency stop is pressed"),
    ],
)
def test_a_guard_that_was_open_for_half_a_minute_is_seen(tmp_path: Path, keys: str, code: str, words: str) -> None:
    """Closed again long before the next run: hands were in the fixture, and nobody has armed since."""
    with served(tmp_path, keys) as (_, file):
        refusal = watch_between_runs(file, 3600.0, never)
    assert refusal is not None and refusal.code == code and words in refusal.message


def test_a_lost_interlock_is_no_closed_guard(tmp_path: Path) -> None:
    """The bench goes away meanwhile."""
    with served(tmp_path) as (bench, file):

        def is_over() -> bool:
            bench.close()
            return False

        refusal = watch_between_runs(file, 3600.0, is_over)
    assert refusal is not None and refusal.code == "lost" and "interlock was lost" in refusal.message
