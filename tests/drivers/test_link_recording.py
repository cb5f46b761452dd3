"""Recording, replaying and watching a dialogue; and files that are none."""

import json

import pytest
from loop_link import LoopLink, Script

from drivers.dialogue.file import BROKE, Head, dialogue_text, load_dialogue, replace_serial
from drivers.dialogue.recording import RecordingLink
from drivers.dialogue.replay import ReplayLink, check_replay
from drivers.link.session import ScpiSession
from drivers.link.spy import SpyLink
from drivers.roles import Identity
from rig.errors import BadReply, DescriptionError, UsageError

WHO = Identity(maker="Maker", model="34465A", serial="MY12345678", firmware="2")


def head(**other):
    usual = {"role": "multimeter", "driver": "scpi-344xx", "program": "1", "source": "instrument", "date_utc": "2026"}
    return Head(**{**usual, "link": "tcp://10.0.0.7:5025", "identity": WHO, **other})


def answers(said):
    if said.endswith(b"*ESE?\n"):
        return said.split(b";")[0][5:] + b"\n"
    return {b"*IDN?\n": b"Maker,34465A,MY12345678,2\n", b"DATA?\n": b"#14\n\x00\xff\n\n"}.get(said, b"")


def talk(link):
    session = ScpiSession(link, "sampler")
    session.open()
    return session.query("*IDN?"), session.block("DATA?", 0.2)


@pytest.fixture
def recorded(tmp_path):
    """(the file, what the driver was answered)."""
    link = RecordingLink(LoopLink(answers))
    first = talk(link)
    file = tmp_path / "talk.jsonl"
    file.write_text(dialogue_text(head(link=link.url), link.events, "", link.elapsed_s()), encoding="utf-8")
    return file, first


def test_a_recording_plays_back(recorded):
    """The same words get the same bytes; nothing of the recording is left over; time runs forward."""
    file, first = recorded
    dialogue = load_dialogue(file)
    replay = ReplayLink(dialogue)
    assert talk(replay) == first == ("Maker,34465A,MY12345678,2", b"\n\x00\xff\n")
    assert replay.unused_events() == 0
    assert dialogue.head == head(link=dialogue.head.link)
    times = [event["t_s"] for event in dialogue.events]
    assert times == sorted(times) and times[0] >= 0.0


def test_another_word_is_refused(recorded):
    """A replay refuses the first word that differs."""
    replay = ReplayLink(load_dialogue(recorded[0]))
    replay.open()
    with pytest.raises(BadReply, match="recording has"):
        replay.write(b"READ?\n")


WRONG = {
    "no JSON": (0, "{", ":1: no JSON"),
    "no object": (1, "[1]", ":2: no JSON object"),
    "another file": (0, '{"schema": "anglewright run 4"}', "'anglewright dialogue 2' was expected"),
    "no role": (0, '{"schema": "anglewright dialogue 2"}', "role is missing"),
    "an event that is none": (2, '{"t_s": 0.1, "shout": "x"}', ":3: is neither"),
    "cut off": (-1, "", "cut off"),
    "a message is missing": (1, "", "messages were recorded"),
}


@pytest.mark.parametrize("name", WRONG)
def test_files_that_are_no_whole_recording(recorded, name):
    """Are refused by file and line, with what to do."""
    number, line, told = WRONG[name]
    file = recorded[0]
    lines = file.read_text(encoding="utf-8").splitlines()
    lines[number : number + 1 or None] = [line] if line else []
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    with pytest.raises(DescriptionError) as caught:
        load_dialogue(file)
    assert told in str(caught.value) and str(file) in str(caught.value) and caught.value.next_action


def test_no_file(tmp_path):
    """A missing file and one that is no text."""
    with pytest.raises(UsageError, match="can't be read"):
        load_dialogue(tmp_path / "missing")
    (tmp_path / "bytes").write_bytes(b"\xff\xfe")
    with pytest.raises(UsageError, match="can't be read"):
        load_dialogue(tmp_path / "bytes")


def test_a_dialogue_that_broke_off_proves_nothing(tmp_path):
    """It is kept as evidence, and not played back."""
    file = tmp_path / "talk.jsonl"
    file.write_text(dialogue_text(head(), [{"t_s": 0.0, "say": "*IDN?\n"}], "meter: no reply", 3.0), encoding="utf-8")
    assert json.loads(file.read_text().splitlines()[-1])["end"] == BROKE
    with pytest.raises(UsageError, match="no reply"):
        check_replay(load_dialogue(file), lambda _: pytest.fail("a driver was built"))


def test_serial_number_and_address_are_replaced():
    """In head and words, at the same length, so that counted blocks stay whole; readings that hold it are not."""
    events = [{"t_s": 0.0, "line": "Maker,34465A,MY12345678,2"}, {"t_s": 0.1, "line": "+1.0E+00"}]
    bare, covered, count = replace_serial(head(), events)
    text = dialogue_text(bare, covered, "", 1.0)
    assert count == 1
    assert "MY12345678" not in text and "10.0.0.7" not in text
    assert covered[0]["line"] == "Maker,34465A,XXXXXXXXXX,2"
    assert bare.link == "tcp://replaced"


@pytest.mark.parametrize(
    ("serial", "event", "told"),
    [
        ("12", {"line": "Maker,M,12,2"}, "too short"),
        ("MY12345678", {"bytes": "\x01MY12345678\x44"}, "check sum"),
        ("MY12345678", {"line": "xMY12345678y"}, "another word"),
    ],
)
def test_a_serial_number_that_can_not_be_replaced(serial, event, told):
    """Is told before anything is written."""
    whose = head(identity=Identity(maker="M", model="M", serial=serial, firmware="2"))
    with pytest.raises(UsageError, match=told):
        replace_serial(whose, [{"t_s": 0.0} | event])


def test_a_spy_changes_nothing_and_shows_everything():
    """The same bytes pass; every write and read is shown."""
    shown = []
    link = SpyLink(LoopLink(answers), shown.append)
    assert talk(link) == ("Maker,34465A,MY12345678,2", b"\n\x00\xff\n")
    assert any("--> '*IDN?" in line for line in shown)
    assert any("<-- 'Maker" in line for line in shown)


def test_a_script_tells_what_was_said_and_not_said():
    """Leftovers on either side are faults."""
    script = Script([(b"a", b"1"), (b"b", b"2")])
    assert script(b"a") == b"1"
    assert script.faults() == ["never said b'b'"]
    assert script(b"c") == b"2"
    script(b"d")
    assert len(script.faults()) == 2
