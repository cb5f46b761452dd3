"""A shop's own sequence: found by name, built from our steps, refused with the file and the reason when it is not."""

from pathlib import Path

import pytest

from rig.errors import UsageError
from sequences import own
from sequences.registry import SEQUENCES, every_sequence, find_sequence

HEAD = """
from dataclasses import replace
from rig.control.sequencer import Step, StepSequence
from rig.description.traits import Traits
from sequences import blocks as b
"""
GOOD = HEAD + (
    'SEQUENCE = StepSequence(name="mine", title="Coils and excitation", version="3", traits=Traits(minutes=1.5),\n'
    "    steps=(*b.SHORT_OPENING, b.EXCITE, b.RAMP_DOWN, b.CLIMATE_AFTER))\n"
)


@pytest.fixture
def write(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """Writes a file of that name into the home's folder."""
    monkeypatch.setenv("ANGLEWRIGHT_HOME", str(tmp_path))

    def put(text: str, name: str = "mine") -> Path:
        folder = tmp_path / "sequences"
        folder.mkdir(exist_ok=True)
        path = folder / f"{name}.py"
        path.write_text(text, encoding="utf-8")
        return path

    return put


def test_a_shops_sequence_is_found_by_name_and_its_version_has_the_files_hash(write):
    """A changed file is another version."""
    write(GOOD)
    found = find_sequence("mine")
    assert [step.name for step in found.steps][-3:] == ["excite", "ramp_down", "climate_after"]
    assert found.version.startswith("3 own ") and "mine" in every_sequence()
    write(GOOD + "\n")
    assert find_sequence("mine").version != found.version


def test_every_sequence_of_ours_that_judges_a_part_would_pass_as_a_shops(write):
    """The rules are read off these, so they hold for them."""
    text = (
        "from dataclasses import replace\nfrom sequences.{} import SEQUENCE as S\nSEQUENCE = replace(S, name='mine')\n"
    )
    for name, ours in SEQUENCES.items():
        if ours.traits.judges_part and "hands" not in ours.needs:
            write(text.format(name))
            assert find_sequence("mine").steps == ours.steps


def test_the_example_of_the_page_is_a_good_one(write):
    """As it stands in sequences/own.py."""
    example = own.__doc__.partition("\n\n    ")[2].partition("\n\nIt is found")[0]
    write("\n".join(line.removeprefix("    ") for line in example.splitlines()), "coils_only")
    assert [step.name for step in find_sequence("coils_only").steps][-1] == "climate_after"


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda t: "SEQUENCE = (\n", r"mine\.py:\d+: can't be run: SyntaxError"),
        (lambda t: t + "raise KeyError('x')\n", r"mine\.py:\d+: can't be run: KeyError"),
        (lambda t: HEAD, "has no SEQUENCE"),
        (lambda t: t.replace('name="mine"', 'name="other"'), "calls itself 'other'"),
        (lambda t: t.replace("b.EXCITE", "b.EXITE"), r"can't be run: AttributeError"),
        (lambda t: t.replace("b.EXCITE", "replace(b.EXCITE, gate=None)"), "step 'excite' is none of"),
        (lambda t: t.replace("b.EXCITE", "replace(b.EXCITE, limit_s=9999.0)"), "step 'excite' is none of"),
        (lambda t: t.replace("b.EXCITE", "Step(name='mine', title='', do=print)"), "step 'mine' is none of"),
        (lambda t: t.replace("*b.SHORT_OPENING", "b.MANUAL"), "'excite' comes without 'live_voltage'"),
        (lambda t: t.replace("*b.SHORT_OPENING", "*b.SHORT_OPENING[:-3]"), "'excite' comes without 'leak'"),
        (lambda t: t.replace("b.RAMP_DOWN, ", ""), "'excite' comes without 'ramp_down' after it"),
        (lambda t: t.replace("b.EXCITE, ", ""), "'ramp_down' comes without 'excite' before it"),
        (lambda t: t.replace("b.RAMP_DOWN", "b.THERMISTOR, b.RAMP_DOWN"), "takes step 'thermistor' twice"),
        (lambda t: t.replace("b.RAMP_DOWN", "b.SPOTS, b.RAMP_DOWN"), "'spots' comes without 'index'"),
        (lambda t: t.replace("b.EXCITE", "b.EXCITE, b.IMPEDANCE_EXC"), "switches relays|comes without"),
        (lambda t: t.replace("b.RAMP_DOWN", "b.RAMP_DOWN, b.INDEX, b.SPOTS"), "needs the excitation"),
        (lambda t: t.replace("steps=(", "steps=(), needs=frozenset(("), "can't be run|has no steps|no ability"),
        (lambda t: t.replace("traits=", "needs=frozenset({'axes'}), traits="), "'axes', which is no ability.*axis"),
        (lambda t: t.replace("minutes=1.5", "minutes=0.0"), "minutes"),
        (lambda t: t.replace("minutes=1.5", "minutes=1.5, question='pins'"), "no question"),
        (lambda t: t.replace("minutes=1.5", "minutes=1.5, certified=True"), "certified needs every step"),
    ],
)
def test_what_is_wrong_with_it_is_told_before_anything_is_opened(write, change, told):
    """With the file's name."""
    write(change(GOOD))
    with pytest.raises(UsageError, match=told) as fault:
        find_sequence("mine")
    assert "mine.py" in str(fault.value)


def test_a_name_that_nobody_has_names_the_nearest_of_both(write):
    """The shop's own too."""
    write(GOOD)
    with pytest.raises(UsageError, match="mine"):
        find_sequence("mines")
