"""Recording, replaying and watching a dialogue."""

import pytest
from dialogue_recording import RecordingLink, ReplayLink
from loop_link import LoopLink, Script

from drivers.link.session import ScpiSession
from drivers.link.spy import SpyLink
from rig.errors import BadReply, LinkDown


def answers(said):
    if said.endswith(b"*ESE?\n"):
        return said.split(b";")[0][5:] + b"\n"
    return {b"*IDN?\n": b"Maker,34465A,1,2\n", b"DATA?\n": b"#14\n\x00\xff\n\n"}.get(said, b"")


def talk(link):
    session = ScpiSession(link, "sampler")
    session.open()
    return session.query("*IDN?"), session.block("DATA?", 0.2)


def test_a_recording_plays_back(tmp_path):
    """The same words get the same bytes; nothing of the recording is left over."""
    file = tmp_path / "talk.jsonl"
    link = RecordingLink(LoopLink(answers), file, instrument="Maker 34465A")
    first = talk(link)
    link.keep()
    link.close()
    replay = ReplayLink(file)
    assert talk(replay) == first == ("Maker,34465A,1,2", b"\n\x00\xff\n")
    assert replay.left() == 0
    assert "Maker 34465A" in file.read_text(encoding="utf-8").splitlines()[0]


def test_a_recording_that_broke_off_is_not_kept(tmp_path):
    """Without a good end the file does not take its place."""
    file = tmp_path / "talk.jsonl"
    link = RecordingLink(LoopLink(answers), file)
    talk(link)
    link.close()
    assert not file.exists()
    assert file.with_name("talk.jsonl.new").exists()


def test_another_word_is_refused(tmp_path):
    """A replay refuses the first word that differs."""
    file = tmp_path / "talk.jsonl"
    link = RecordingLink(LoopLink(answers), file)
    link.open()
    link.write(b"*IDN?\n")
    link.read_line(0.1)
    link.keep()
    link.close()
    replay = ReplayLink(file)
    replay.open()
    with pytest.raises(BadReply, match="recording has"):
        replay.write(b"READ?\n")


def test_no_recording(tmp_path):
    """A file that is none is told as such."""
    with pytest.raises(LinkDown, match="no recording"):
        ReplayLink(tmp_path / "missing").open()
    (tmp_path / "other").write_text('{"schema": "something else"}\n', encoding="utf-8")
    with pytest.raises(LinkDown, match="no recording"):
        ReplayLink(tmp_path / "other").open()


def test_a_spy_changes_nothing_and_shows_everything():
    """The same bytes pass; every write and read is shown."""
    shown = []
    link = SpyLink(LoopLink(answers), shown.append)
    assert talk(link) == ("Maker,34465A,1,2", b"\n\x00\xff\n")
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
