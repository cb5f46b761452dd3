"""A sequence says what it is in its traits: no room knows one by its name."""

from __future__ import annotations

import ast
import json
from dataclasses import replace
from pathlib import Path

from rig.description.traits import Traits
from rig.records.run.old_traits import OLD_TRAITS
from rig.records.run.record import RUN_SCHEMA, RunHeader
from rig.records.schema import dump, load
from sequences.registry import SEQUENCES
from sequences.witness import SEQUENCES as WITNESS_SEQUENCES

ROOT = Path(__file__).parents[2]
NAMES = {*SEQUENCES, "seat", "watch", "witness"}
UNMISTAKABLE = {name for name in NAMES if "_" in name} | {"remount", "prove"}  # the others are everyday words


def sources() -> list[Path]:
    found = [*(ROOT / "rig").rglob("*.py"), ROOT / "sequences" / "registry.py"]
    return [path for path in found if path.name != "old_traits.py"]


def by_name(tree: ast.AST) -> list[tuple[int, str]]:
    """Places where a sequence is known by its name: a list of names, a comparison, an argument `sequence`."""
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and node.value in UNMISTAKABLE:
            found.append((node.lineno, str(node.value)))
        if isinstance(node, ast.Compare) and "sequence" in ast.unparse(node.left).rpartition(".")[2]:
            words = [
                one.value for right in node.comparators for one in ast.walk(right) if isinstance(one, ast.Constant)
            ]
            found += [(node.lineno, str(word)) for word in words if word in NAMES]
        if isinstance(node, ast.keyword) and node.arg == "sequence" and isinstance(node.value, ast.Constant):
            found += [(node.value.lineno, str(node.value.value))] if node.value.value in NAMES else []
    return found


ALLOWED = {  # the series of captures, not the sequence
    "rig/evaluation/by_hand/turn.py": {"hand_turned"},
    "rig/vocabulary.py": {"hand_turned"},
}


def test_no_room_knows_a_sequence_by_name() -> None:
    """Certified, draft, turning, judging, question: read from the traits, in sequences/ or in the run's header."""
    files = sources()
    assert len(files) > 100
    said = []
    for path in files:
        place = str(path.relative_to(ROOT))
        allowed = ALLOWED.get(place, set())
        tree = ast.parse(path.read_text(encoding="utf-8"))
        said += [f"{place}:{line}: {word}" for line, word in by_name(tree) if word not in allowed]
    assert said == []


def test_every_sequence_states_what_it_is() -> None:
    """Either it judges the part's lines or it names the question that it answers, and says how long it takes."""
    judging = {name for name, one in SEQUENCES.items() if one.traits.judges_part}
    assert judging == {"full_test", "quick_screen", "continuous_sweep", "hand_turned", "hand_test", "hand_sweep"}
    assert all(one.traits.minutes > 0 for one in SEQUENCES.values())
    assert all(one.traits.question == "witness" for one in WITNESS_SEQUENCES.values())


def test_a_header_of_before_gets_its_traits_from_the_migration_table() -> None:
    """The table holds every sequence that there was, and says of each what the sequence itself says today."""
    for name, old in OLD_TRAITS.items():
        assert RunHeader(sequence=name, started_utc="", serial="S", part={}).kind == old
        if name in SEQUENCES:
            assert replace(SEQUENCES[name].traits, minutes=0.0, needs_rotor=False) == old
    own = RunHeader(sequence="full_test", started_utc="", serial="S", part={}, traits=Traits(question="later"))
    kept = load(RunHeader, json.loads(json.dumps(dump(own))), "header", RUN_SCHEMA)
    assert kept.kind == Traits(question="later")
    assert RunHeader(sequence="of another version", started_utc="", serial="S", part={}).kind == Traits()
