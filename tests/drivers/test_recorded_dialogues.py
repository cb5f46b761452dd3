"""The dialogues in fixtures/dialogues played back against today's drivers, word for word; and recording over wires.

The recordings kept here came from the simulated bench (heads say so). `python tests/drivers/record_fixtures.py` writes
them anew when a driver's words change on purpose. A real instrument's is written by `anglewright bench record`.
"""

from pathlib import Path

import pytest
from record_fixtures import DIALOGUES, FAMILIES, record_family

from drivers import shelf
from drivers.dialogue.file import load_dialogue
from drivers.dialogue.verbs import VERBS
from drivers.families import HARDWARE
from rig.errors import BadReply, BenchError, LinkDown, UsageError
from rig.jobs.bench import recording

FILES = sorted(DIALOGUES.glob("*.jsonl"))


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch):
    monkeypatch.setenv("ANGLEWRIGHT_HOME", str(tmp_path / "home"))


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_a_recording_is_said_again_word_by_word(file):
    """Every word as it was said, every answer used, nothing left."""
    assert shelf.replay(file).exchanges > 0


def test_every_role_has_a_recording():
    """And says where it came from."""
    heads = [load_dialogue(file).head for file in FILES]
    assert {head.role for head in heads} == set(VERBS)
    assert all(head.source == "simulated" and head.identity.model for head in heads)
    assert {head.driver for head in heads} == {driver for _, driver, _ in FAMILIES}


@pytest.mark.parametrize("driver", ["scpi-344xx", "modbus-probe", "scpi-335xx"])
def test_recorded_over_real_wires_and_said_again(tmp_path, driver):
    """Sockets and pseudo-terminals of the simulated bench; the file is whole and its driver says it again."""
    file = record_family(driver, tmp_path)
    dialogue = shelf.replay(file)
    assert dialogue.is_whole and dialogue.head.source == "simulated"
    assert dialogue.verbs[0] == "open and identify" and dialogue.verbs[-1] == "safe state"


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_nothing_is_energised(file):
    """No word of any recording switches an output on, closes a relay or starts a motion."""
    said = "".join(event["say"] for event in load_dialogue(file).events if "say" in event).upper()
    for word in ("OUTP1 ON", "OUTP ON", "OUTP 1", "OUTPUT ON", "ROUT:CLOS (", "G38", "G1", "$H", "$J"):
        assert word not in said


def test_a_changed_answer_is_noticed(tmp_path):
    """A file in which one reading was cut short does not replay: the reader can fail."""
    text = (DIALOGUES / "scpi-344xx.jsonl").read_text(encoding="utf-8")
    file = tmp_path / "changed.jsonl"
    file.write_text(text.replace('"line": "VOLT', '"line": "CURR').replace("E-0", "E-X"), encoding="utf-8")
    with pytest.raises(BadReply):
        shelf.replay(file)


def test_a_bench_is_recorded(tmp_path, capsys):
    """The command's job on the packaged bench: every role with a wire; no serial number left where none is wanted."""
    said = []
    kept = recording.record_dialogues(
        "simulated", ("multimeter", "switch"), tmp_path, without_serial=True, say=said.append
    )
    assert [one.role for one in kept] == ["switch", "multimeter"]
    assert any("leads" in line for line in said)
    for one in kept:
        text = one.file.read_text(encoding="utf-8")
        assert "SIM0" not in text and one.replaced
        assert "the words of open and identify" in one.proves
    with pytest.raises(UsageError, match="has no spectrum"):
        recording.record_dialogues("simulated", ("spectrum",), tmp_path, without_serial=False, say=said.append)
    assert not capsys.readouterr().out


def test_a_role_without_bytes(tmp_path):
    """A person and a maker's library have no dialogue."""
    with pytest.raises(UsageError, match="no wire with bytes"):
        shelf.record("hand-attends", "terminal", "interlock", simulated=False, program="0")


def test_nobody_answers():
    """Is LinkDown, by role; nothing is written."""
    with pytest.raises(LinkDown, match="multimeter"):
        shelf.record("scpi-344xx", "tcp://127.0.0.1:9", "multimeter", simulated=False, program="0")


def test_a_refusal_in_the_middle_is_kept_with_its_fault(tmp_path):
    """An instrument that answers and then falls silent: all that was said, and why it broke off."""
    from plain_bench import served

    with served("multimeter:mute:nth=6") as bench:
        recorded = shelf.record("scpi-344xx", bench.links["multimeter"], "multimeter", simulated=True, program="0")
    assert recorded.fault and "multimeter" in recorded.fault
    assert any("say" in event for event in recorded.events)


def test_the_level_of_a_family_rises_by_a_real_dialogue(tmp_path):
    """Not by a simulated one, not by one that broke or that today's driver says otherwise."""
    folder = tmp_path / "home" / "dialogues"
    folder.mkdir(parents=True)
    text = (DIALOGUES / "sdg.jsonl").read_text(encoding="utf-8")
    real = text.replace('"source": "simulated"', '"source": "instrument"')

    def level():
        return next(row for row in shelf.families() if row["driver"] == "sdg")

    before = level()
    assert before["level"] != HARDWARE and "dialogue of a" not in before["rests_on"]
    (folder / "a.jsonl").write_text(real.replace("SINE", "SQUARE"), encoding="utf-8")
    assert level()["level"] != HARDWARE and "proves nothing" in level()["rests_on"]
    (folder / "a.jsonl").write_text(real, encoding="utf-8")
    raised = level()
    assert raised["level"] == HARDWARE
    assert "not its output on" in raised["rests_on"]


def test_drivers_that_break_are_told_as_such(tmp_path):
    """A file for a driver that is not there."""
    text = (DIALOGUES / "sdg.jsonl").read_text(encoding="utf-8").replace('"driver": "sdg"', '"driver": "sdq"')
    (tmp_path / "x.jsonl").write_text(text, encoding="utf-8")
    with pytest.raises(UsageError, match="sdq"):
        shelf.replay(Path(tmp_path / "x.jsonl"))
    assert issubclass(BadReply, BenchError)
