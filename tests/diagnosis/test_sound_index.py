"""The index sought between the passes and after them: which pass it accuses, and what it clears."""

from typing import Any

import pytest

from rig.evaluation.inspection.index_witness import index_off, index_off_steps, loose_rotor, which_pass
from rig.observed import Observed
from rig.quantity import Reading
from rig.signal.waveform import WaveformStack


class NoCaptures:
    """Nothing was sampled."""

    def series(self) -> tuple[str, ...]:
        return ()

    def stack(self, series: str) -> WaveformStack:
        raise KeyError(series)


def _observed(*searches: tuple[float, str, int]) -> Observed:
    """Sweeps from 10 to 20 s and from 30 to 40 s, and searches (at s, phase, steps off)."""
    from rig.description.benches import load_bench
    from rig.description.holders import load_holder
    from rig.description.parts import load_part

    def reading(quantity: str, at_s: float, value: int | None = None, capture: str = "", **more: Any) -> Reading:
        return Reading(
            step="test",
            quantity=quantity,
            value=value,
            unit="steps",
            instrument="axis",
            bench_time_s=at_s,
            time_utc="",
            conditions=more,
            capture=capture,
        )

    passes = [reading("sweep_ccw", 10.0 + i, capture=f"sweep_ccw/{i}") for i in range(11)]
    passes += [reading("sweep_cw", 30.0 + i, capture=f"sweep_cw/{i}") for i in range(11)]
    found = [reading("index_found", at_s, value=off, phase=phase) for at_s, phase, off in searches]
    return Observed(
        readings=tuple(sorted([*passes, *found], key=lambda r: r.bench_time_s)),
        captures=NoCaptures(),
        part=load_part("KX4-2207").part(),
        holder=load_holder("adapter_8"),
        bench=load_bench("simulated"),
    )


@pytest.mark.parametrize(
    ("searches", "off", "when"),
    [
        (((25.0, "between", 64), (45.0, "again", 0)), 64, "in the first pass"),
        (((25.0, "between", 1), (45.0, "again", -64)), -64, "in the second pass"),
        (((45.0, "again", 64),), 64, "during the sweep"),
        (((25.0, "again", -64), (45.0, "again", 0)), -64, "in the first pass"),
    ],
)
def test_the_pass_before_an_index_that_was_off_is_accused(
    searches: tuple[tuple[float, str, int], ...], off: int, when: str
) -> None:
    """Without a search between the passes it can only be the whole sweep."""
    obs = _observed((5.0, "first", 0), *searches)
    worst = index_off(obs)
    assert worst is not None and worst[0] == off == index_off_steps(obs)
    assert which_pass(obs, worst[1]) == when


def test_a_search_that_began_anew_clears_nothing() -> None:
    """After the position was lost between the passes, an index in its place later is no witness of the first pass."""
    assert loose_rotor(_observed((5.0, "first", 0), (25.0, "between", 0), (45.0, "again", 0)))
    assert not loose_rotor(_observed((5.0, "first", 0), (25.0, "first", 0), (45.0, "again", 0)))
    assert index_off_steps(_observed((5.0, "first", 0), (45.0, "first", 0))) is None
