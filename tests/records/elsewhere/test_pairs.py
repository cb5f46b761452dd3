"""Resistance tables from elsewhere: every spelling becomes ohms, over range, nothing, or a fault with its line."""

import math
from pathlib import Path

import pytest

from rig.errors import DescriptionError, UsageError
from rig.pins.readings import PairTable, pair_table
from rig.records.elsewhere.ohms import comma_habit, read_ohms
from rig.records.elsewhere.pairs import parse_pairs, pin_name, read_pairs


@pytest.mark.parametrize(
    ("text", "ohm"),
    [
        ("6.8", 6.8),
        (" 6.8 ohm", 6.8),
        ("6,8", 6.8),
        ("6.8Ω", 6.8),
        ("6.8 \u2126", 6.8),
        ("6R8", 6.8),
        ("1.2k", 1200),
        ("1.2 kohm", 1200),
        ("1k2", 1200),
        ("4K7", 4700),
        ("10.24 kΩ", 10240),
        ("2.2M", 2.2e6),
        ("1.5 Mohm", 1.5e6),
        ("150 mohm", 0.15),
        ("1.934E+01", 19.34),
        ("+1.2e3", 1200),
        ("1,234.5", 1234.5),
        ("1.234,5", 1234.5),
        ("-0.02", -0.02),
        ("10240", 10240),
        ("12 345", 12345),
        ("2 meg", 2e6),
        ("15 Ohms", 15),
    ],
)
def test_every_way_to_write_a_resistance_is_read(text: str, ohm: float) -> None:
    """Units, commas, letters in place of the point."""
    assert read_ohms(text) == pytest.approx(ohm, rel=1e-12)


@pytest.mark.parametrize(
    "text",
    [
        "OL",
        "ol",
        "0L",
        "0.L",
        "O.L",
        ".OL",
        "O L",
        "OL ohm",
        "OL Mohm",
        "0L MΩ",
        "OVLD",
        "overload",
        "Over range",
        "open",
        "inf",
        "∞",
        "9.9E+37",
        "+9.90000000E+37",
        "> 20 Mohm",
        ">1.2M",
        "---",
        "+OL",
    ],
)
def test_over_range_in_every_spelling_is_over_range(text: str) -> None:
    """None of them is ever a number or nothing."""
    assert read_ohms(text) == math.inf


@pytest.mark.parametrize("text", ["", "  ", "-", "n/a", "NaN", "?", "not measured"])
def test_nothing_measured_is_neither_open_nor_zero(text: str) -> None:
    """A pair that was skipped stays unknown."""
    assert read_ohms(text) is None


@pytest.mark.parametrize(
    "text", ["abc", "6.8V", "6.8.1", "1..2", "12 apples", "1,2,3", "10,240", "5 mOHM", "0x10", "k"]
)
def test_what_is_no_resistance_or_has_two_readings_is_refused(text: str) -> None:
    """Never a guess."""
    with pytest.raises(UsageError):
        read_ohms(text)


def test_the_habit_of_the_file_decides_what_a_comma_means() -> None:
    """10,240 is ten thousand beside 6.8 and ten beside 6,8."""
    assert read_ohms("10,240", comma_habit(["6.8", "10,240"])) == 10240
    assert read_ohms("10,240", comma_habit(["6,8", "10,240"])) == pytest.approx(10.24)
    assert comma_habit(["10,240", "15"]) == "unclear"


def table(text: str) -> PairTable:
    return pair_table(parse_pairs(text, "t.csv"))


def test_separators_quotes_marks_and_remarks_do_not_matter() -> None:
    """Comma, semicolon, tab, byte order mark, CRLF, blank lines: the same table."""
    plain = table("pin_a,pin_b,ohm\n1,2,6.8\n1,3,OL\n").readings
    for text in (
        "# remark\r\npin_a;pin_b;ohm\r\n1;2;6,8\r\n\r\n1;3;0L\r\n",
        "pin_a\tpin_b\tohm\n1\t2\t6R8\n1\t3\tO.L\n",
        'Pin A,pin-b,Ohm,note\n"1","2","6,8",coil\n1,3,> 20 M,\n',
        "pin_a,pin_b,ohm\n1,2,6,8\n1,3,OL\n",
        "pin_a,pin_b,ohm\npin 1,P2,6.8 ohm\n1.0,3,OL,,\n",
    ):
        assert [(r.pin_a, r.pin_b, r.ohm) for r in table(text).readings] == [(r.pin_a, r.pin_b, r.ohm) for r in plain]


def test_every_fault_is_told_with_its_line_in_one_go() -> None:
    """Four bad lines, four messages."""
    text = "pin_a,pin_b,ohm\n1,1,5\n1,2,abc\n3\n,4,6.8\n1,2,6.8,6.7\n"
    with pytest.raises(DescriptionError) as told:
        table(text)
    assert [fault.split(": ")[0] for fault in told.value.faults] == [f"t.csv:{n}" for n in (4, 6, 2, 3, 5)]
    assert "ohm_reversed" in str(told.value)


@pytest.mark.parametrize("text", ["", "# nothing\n", "pin_a,pin_b,ohm\n", "a,b,c\n1,2,3\n", "1,2,6.8\n1,3,OL\n"])
def test_an_empty_or_headless_table_is_refused(text: str) -> None:
    """With what its first line should be."""
    with pytest.raises(DescriptionError, match="pin_a"):
        try:
            table(text)
        except DescriptionError as fault:
            raise DescriptionError(f"{fault} {fault.next_action}") from fault


def test_a_pair_told_the_other_way_round_is_its_reversed_reading() -> None:
    """Both directions of a silicon sensor stand in one row."""
    (row,) = table("pin_a,pin_b,ohm\n1,2,1000\n2,1,950\n").readings
    assert (row.ohm, row.reversed_ohm) == (1000, 950)


def test_duplicates_agree_or_are_named() -> None:
    """6.8 and 6.81 are one reading, 6.8 and OL are a conflict."""
    assert table("pin_a,pin_b,ohm\n1,2,6.80\n1,2,6.82\n").readings[0].ohm == pytest.approx(6.81)
    assert table("pin_a,pin_b,ohm\n1,2,6.80\n1,2,6.82\n").conflicts == ()
    assert table("pin_a,pin_b,ohm,ohm_reversed\n1,2,6.8,6.8\n1,2,OL,6.8\n").conflicts == (("1", "2", 6.8, math.inf),)


def test_what_the_remarks_say_of_the_leads_is_kept() -> None:
    """Zeroed leads are known; "left in" and silence are not."""
    rows = "pin_a,pin_b,ohm\n1,2,0.6\n"
    assert table(f"# leads zeroed\n{rows}").lead_ohm == 0.0
    assert table(f"# leads not zeroed\n{rows}").lead_ohm is None
    assert table(f"# true 0.60 ohm with 0.20 ohm of leads left in\n{rows}").lead_ohm is None
    assert table(rows).lead_ohm is None


def test_core_and_shield_have_one_name_each() -> None:
    """Housing, case, body are the core; screen and drain the shield."""
    assert {pin_name(t) for t in ("core", "Case", "HOUSING")} == {"core"}
    assert {pin_name(t) for t in ("Shield", "screen", "drain")} == {"shield"}
    assert pin_name(" S1 ") == "S1"


def test_files_of_other_codings_are_read_and_binary_ones_refused(tmp_path: Path) -> None:
    """UTF-8 with mark, UTF-16; a missing file is named."""
    text = "pin_a,pin_b,ohm\n1,2,6.8 Ω\n"
    for coding in ("utf-8-sig", "utf-16"):
        path = tmp_path / f"{coding}.csv"
        path.write_bytes(text.encode(coding))
        assert read_pairs(path)[0].value == 6.8
    with pytest.raises(UsageError, match=r"nowhere\.csv"):
        read_pairs(tmp_path / "nowhere.csv")
