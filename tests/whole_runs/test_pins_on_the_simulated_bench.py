"""An unlabelled connector on the simulated bench: from every pair of pins to a draft part file, over real wires."""

from __future__ import annotations

from pathlib import Path

import pytest

from rig.cli.pages.pins import pins_page
from rig.control.bench import open_bench
from rig.control.sequencer import run_sequence
from rig.control.step import Context
from rig.description.benches import load_bench
from rig.description.holders import load_holder
from rig.description.parts import load_part
from rig.evaluation.evaluated import evaluate
from rig.jobs.pins.table import analyse_run
from rig.pins.search import find_pins
from rig.records.run.record import RunHeader
from rig.records.schema import dump
from rig.records.store import Store
from sequences.gates import observe
from sequences.pins import SEQUENCE

FOREIGN = """
seed = 3
[part]
r20_exc_ohm = 15.0
[part.thermistor]
kind = "silicon"
r25_ohm = 1000
[part.faults]
reverse_sin = true
[holder]
adapter = "foreign"
"""
WET = "seed = 4\n[part.faults]\nmoisture = 0.9\n"


def taken(tmp_path: Path, world: str) -> str:
    """A run of the sequence, kept; its id."""
    path = tmp_path / "world.toml"
    path.write_text(world, encoding="utf-8")
    part, holder = load_part("unlabelled", draft=True), load_holder("adapter_8")
    bench_file = load_bench("simulated").model_copy(update={"world": str(path)})
    store = Store()
    with open_bench(bench_file, holder, speed="fast") as bench:
        header = RunHeader(
            sequence=SEQUENCE.name,
            started_utc=bench.clock.utc(),
            serial="U-1",
            part=part.model_dump(mode="json", by_alias=True),
            holder=holder.model_dump(mode="json", by_alias=True),
            bench=bench_file.model_dump(mode="json", by_alias=True),
            instruments=bench.identities(),
            simulated=bench.is_simulated,
        )
        folder = store.begin(header)
        ctx = Context(
            bench=bench,
            part=part.part(),
            holder=holder,
            journal=folder.journal,
            raw=folder.raw,
            header=dump(header),
        )
        ended = run_sequence(SEQUENCE, ctx)
    assert ended.complete, ended.fault
    store.finish(folder, judgement=find_pins(evaluate(observe(ctx))).judgement())
    return folder.id


def test_pins_in_random_order_three_coils_alike_and_one_reversed_end_in_a_draft(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Excitation and outputs proven by AC, four pole pairs counted, the silicon sensor named."""
    monkeypatch.setenv("ANGLEWRIGHT_HOME", str(tmp_path / "home"))
    found = analyse_run(taken(tmp_path, FOREIGN), draft_to=tmp_path / "found.toml")
    report, ac = found.pins.found, found.pins.ac
    assert ac is not None and report.excitation is not None
    assert (report.outcome, report.confidence, report.labelings, ac.pole_pairs) == (
        "measured, no limits",
        "proven by AC",
        4,
        4,
    )
    assert (set(report.excitation.pins), set(ac.excitation or ())) == ({"6", "8"}, {"6", "8"})
    assert [(set(s.circuit.pins), s.kind.kind) for s in report.sensors] == [({"3", "5"}, "silicon")]
    assert report.empty == ("9", "10", "11", "12") and abs(ac.orthogonality_elec_deg or 9) < 0.5
    assert found.document()["simulated"] and "SIMULATED" in pins_page(found)
    draft = load_part(str(tmp_path / "found.toml"), draft=True)
    assert (draft.pole_pairs, draft.confirmed) == (4, False)


def test_a_wet_part_is_never_driven(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Leaks all over on the high range: moisture, the run ends before the low level."""
    monkeypatch.setenv("ANGLEWRIGHT_HOME", str(tmp_path / "home"))
    found = analyse_run(taken(tmp_path, WET))
    assert [f.code for f in found.pins.found.findings] == ["moisture"]
    assert found.pins.ac is None and not found.pins.found.may_excite
