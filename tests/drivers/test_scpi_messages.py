"""What text may become a number, a header, a block or an error: drivers/scpi.py."""

import math

import pytest

from drivers import scpi
from rig.errors import BadReply


@pytest.mark.parametrize(
    ("text", "value"), [("+1.934E+01", 19.34), ("1.", 1.0), (".5", 0.5), ("-0", 0.0), (" 7 ", 7.0), ("9.8E37", 9.8e37)]
)
def test_a_whole_number_is_taken(text, value):
    """A reply that is one number in NR1, NR2 or NR3 is that number."""
    assert scpi.parse_number(text) == value


@pytest.mark.parametrize(
    "text",
    [
        "",
        " ",
        "+1,934E+01",
        "1 2",
        "1.2.3",
        "1e",
        "0x10",
        "NAN",
        "nan",
        "inf1",
        "+9.91E+37",
        "-9.91E37",
        "1.9V",
        "१",
        "1_0",
    ],
)
def test_anything_else_is_refused(text):
    """Empty, cut, foreign or doubled text never becomes a number."""
    with pytest.raises(BadReply):
        scpi.parse_reading(text)


def test_a_decimal_comma_is_told_as_such():
    """The refusal of a decimal comma speaks of the locale."""
    with pytest.raises(BadReply, match="locale"):
        scpi.parse_reading("+1,2345E+00")


@pytest.mark.parametrize(
    "text", ["+9.90000000E+37", "-9.9E37", "9.9E37", "OL", "0L", "OVLD", "ovld", "1e999", "-1E40", "+OL", "OVERLOAD"]
)
def test_every_spelling_of_overload_is_over_range(text):
    """Over range is None, of either sign, never a number."""
    assert scpi.parse_reading(text) is None


def test_a_familys_own_word_for_overload_belongs_to_its_profile():
    """1.2E8 is over range where the family says so, of either sign, and a number elsewhere."""
    profile = scpi.OverloadProfile((1.2e8, 1.99999e8))
    assert scpi.parse_reading("1.2E8", profile) is None
    assert scpi.parse_reading("-1.99999E8", profile) is None
    assert scpi.parse_reading("1.2E8") == 1.2e8


def test_an_overload_is_no_number_where_a_number_is_needed():
    """A setting that reads back as infinity is a bad reply."""
    with pytest.raises(BadReply, match="over range"):
        scpi.parse_number("9.9E37")


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("10kHz", "HZ", 1e4),
        ("2MHZ", "HZ", 2e6),
        ("3 MOHM", "OHM", 3e6),
        ("5mV", "V", 5e-3),
        ("1.414Vrms", "VRMS", 1.414),
        ("7", "V", 7.0),
    ],
)
def test_units_and_multipliers(text, unit, value):
    """M is milli except before HZ and OHM."""
    assert math.isclose(scpi.parse_quantity(text, unit), value)


def test_another_unit_is_refused():
    """Volts where hertz were asked are no frequency."""
    with pytest.raises(BadReply):
        scpi.parse_quantity("3V", "HZ")


@pytest.mark.parametrize("body", [b"", b"\n", b"\n" * 10, bytes(range(256)), b"#15"])
def test_a_block_holds_any_bytes(body):
    """Length-driven: line feeds inside a block are data."""
    message = b"#3%03d" % len(body) + body
    assert scpi.block(message) == body
    assert scpi.block(message + b"\n") == body
    assert scpi.block(message + b"\r\n") == body


@pytest.mark.parametrize(
    "data", [b"", b"#", b"#3", b"#31", b"abc", b"#x12", b"#15abc", b"#13abcd", b"#1-abc", b"1.0\n"]
)
def test_a_block_that_lies_is_refused(data):
    """A short, long or headless block is a bad reply."""
    with pytest.raises(BadReply):
        scpi.block(data)


def test_an_indefinite_block():
    """#0 runs to the last line feed."""
    assert scpi.block(b"#0ab\ncd\n") == b"ab\ncd"


def _queue(*entries):
    left = list(entries)
    return lambda: left.pop(0) if left else '+0,"No error"'


def test_the_error_queue_is_emptied():
    """Every entry is read, oldest first, both spellings of no error end it."""
    assert scpi.drain_errors(_queue('-113,"Undefined header"', '-222,"Data; ""out"" of range"', '0,"No error"')) == [
        (-113, "Undefined header"),
        (-222, 'Data; "out" of range'),
    ]


def test_a_queue_that_never_ends_is_left():
    """At most 25 entries are read, and a repeated -350 ends it at once."""
    assert len(scpi.drain_errors(lambda: '-200,"again"')) == 25
    assert scpi.drain_errors(lambda: '-350,"Queue overflow"') == [(-350, "Queue overflow")]


@pytest.mark.parametrize("text", ["", "0", "No error", "0,No error", '0,"No error" x'])
def test_no_entry_of_a_queue(text):
    """Text that is no entry is never taken for no error."""
    with pytest.raises(BadReply):
        scpi.parse_error(text)


def test_several_answers_in_one_line():
    """Semicolons split answers, but not inside quotes; a wrong count is refused."""
    assert scpi.split_replies('1;0,"a;b"', 2) == ["1", '0,"a;b"']
    with pytest.raises(BadReply):
        scpi.split_replies("1;2", 3)


@pytest.mark.parametrize("value", [7000.0, 241545.9, 3.5, 1e-3, 1e6, 0.1 + 0.2])
def test_numbers_are_sent_with_their_digits(value):
    """What is sent comes back within a part in 1e11, with no comma."""
    assert "," not in scpi.number(value)
    assert math.isclose(float(scpi.number(value)), value, rel_tol=1e-11)
