"""What serial ports really deliver, read by read: the shared transcripts and some of our own."""

import json
import os
from pathlib import Path

import pytest
from loop_link import LoopLink

from drivers.link.session import ScpiSession
from rig.errors import BadReply, InstrumentRefused, NoReply

SHARED = os.environ.get("ANGLEWRIGHT_SHARED", "")
FILE = Path(SHARED) / "cases" / "transcripts" / "serial_pathologies.jsonl"


def cases():
    """case -> reads, as bytes; `\\xNN` in the file is a byte."""
    if not SHARED or not FILE.is_file():
        return {}
    rows = [json.loads(line) for line in FILE.read_text(encoding="utf-8").splitlines() if line.strip()]
    return {row["case"]: [_bytes(read) for read in row["reads"]] for row in rows}


def _bytes(text):
    return text.encode("latin-1").decode("unicode_escape").encode("latin-1") if "\\x" in text else text.encode()


def meter(reads, greeting=b""):
    """A meter that answers READ? with `reads`, READ2? with 6.8, and whose marker works."""

    def answer(said):
        if said.startswith(b"*ESE") and said.endswith(b"*ESE?\n"):
            return said.split(b";")[0][5:] + b"\n"
        if said == b"READ?\n":
            return reads
        if said == b"READ2?\n":
            return b"+6.5E+00\n"
        return b'0,"No error"\n' if said == b"SYST:ERR?\n" else b""

    session = ScpiSession(LoopLink(answer, "multimeter", greeting=greeting), "multimeter")
    session.open()
    session.resynchronise()
    return session


def next_is_right(session):
    """The next question gets its own answer."""
    return session.reading("READ2?", 0.2) == 6.5


def whole(reads):
    session = meter(reads)
    assert session.reading("READ?", 0.2) == 19.34
    assert next_is_right(session)


def over_range(reads):
    session = meter(reads)
    assert session.reading("READ?", 0.2) is None
    assert next_is_right(session)


def refused(*words):
    def check(reads):
        session = meter(reads)
        with pytest.raises(BadReply) as caught:
            session.reading("READ?", 0.2)
        assert all(word in str(caught.value) for word in ("multimeter", *words))
        assert next_is_right(session)

    return check


def mid_line(reads):
    session = meter(b"+1.934E+01\n", greeting=[reads[0][:6]])
    assert session.reading("READ?", 0.2) == 19.34
    assert next_is_right(session)


def stale(reads):
    late, own = reads[0].removeprefix(b"<late>"), reads[1]
    session = meter([own])
    session.link.deliver(late)
    assert session.reading("READ?", 0.2) == 19.34, "a stale answer that is here already is thrown away"
    session = meter([late, own])
    with pytest.raises(BadReply):
        session.reading("READ?", 0.2)
    assert next_is_right(session)


def no_reply(*words):
    def check(reads):
        session = meter(reads)
        with pytest.raises(NoReply) as caught:
            session.query("READ?", 0.2, explain=False)
        assert all(word in str(caught.value) for word in ("multimeter", "READ?", *words))
        assert next_is_right(session)

    return check


def silent(reads):
    refused("not a number")(reads[:1])


RIGHT = {
    "partial-then-rest": whole,
    "two-in-one": whole,
    "first-line-cut": mid_line,
    "stale-answer": stale,
    "overload": over_range,
    "overload-negative": over_range,
    "overload-words": over_range,
    "overload-words-2": over_range,
    "overload-words-3": over_range,
    "not-a-number": refused("not a number"),
    "decimal-comma": refused("comma", "locale"),
    "wrong-baud": no_reply("wrong speed or parity"),
    "silent-converter": silent,
    "never-ends": no_reply(),
}


@pytest.mark.skipif(not cases(), reason="ANGLEWRIGHT_SHARED does not point to the shared cases: NOT RUN")
@pytest.mark.parametrize("case", sorted(RIGHT))
def test_shared_transcripts(case):
    """Each becomes a reading only if whole, ended, parsed completely and in answer to its own question."""
    RIGHT[case](cases()[case])


@pytest.mark.skipif(not cases(), reason="ANGLEWRIGHT_SHARED does not point to the shared cases: NOT RUN")
def test_no_shared_transcript_is_left_out():
    """A case that was added to the file has to be judged here."""
    assert set(cases()) == set(RIGHT)


@pytest.mark.parametrize(
    ("reads", "check"),
    [
        ([b"+1", b".934E", b"+01\r", b"\n"], whole),
        ([b"+1.934E+01\n", b"+1.934E+01\n"], whole),
        ([b" +1.934E+01 \r\n"], whole),
        ([b"9.9E37\n"], over_range),
        ([b"-0L\n"], refused("not a number")),
        ([b"+1.934E+01 OHM\n"], refused("not a number")),
        ([b"+1.934E+01,+1.0E+00\n"], refused("not a number")),
        ([b"\n"], refused("not a number")),
        ([b"\xff\xfe1.0\n"], refused("no text")),
        ([b"+1.934E+01"], no_reply("+1.934E+01")),
        ([], no_reply()),
    ],
)
def test_our_own_pathologies(reads, check):
    """The same rule for what the shared file does not hold."""
    check(reads)


def test_a_flood_without_an_end_of_line():
    """A line longer than any answer is refused before the deadline."""
    session = meter([b"x" * 70000])
    with pytest.raises(BadReply, match="without an end of line"):
        session.query("READ?", 5.0)


def test_all_errors_of_a_queue_are_told():
    """A setting that was refused tells the first code and all texts."""
    queue = [b'-222,"Data out of range"\n', b'-221,"Settings conflict"\n', b'0,"No error"\n']

    def answer(said):
        if said.endswith(b"*ESE?\n"):
            return said.split(b";")[0][5:] + b"\n"
        return queue.pop(0) if said == b"SYST:ERR?\n" else b""

    session = ScpiSession(LoopLink(answer, "generator"), "generator")
    session.open()
    with pytest.raises(InstrumentRefused, match="conflict") as caught:
        session.set("VOLT 99")
    assert caught.value.code == -222
    assert "VOLT 99" in str(caught.value)
