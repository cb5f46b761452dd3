"""The journal's vocabulary: what no row describes is refused before it is written."""

import pytest

from rig.evaluation.turn.passes import SWEEPS, SWEEPS_AGAIN, TURNINGS, TURNINGS_AGAIN
from rig.vocabulary import QUANTITIES, check


def test_a_reading_of_the_table_is_taken() -> None:
    """Quantity, unit and conditions as the row has them."""
    check("coil_resistance", "ohm", {"coil": "sin", "wires": 4, "polarity": "+"}, capture=False)
    check("sweep_ccw", "V", {"position_steps": 10, "direction": "ccw", "frequency_hz": 1e4}, capture=True)
    check("manual", "Mohm", {"name": "insulation"}, capture=False)


@pytest.mark.parametrize(
    ("quantity", "unit", "conditions", "capture", "words"),
    [
        ("coil_resistence", "ohm", {}, False, "no quantity of the journal"),
        ("coil_resistance", "kohm", {}, False, "'ohm' was expected"),
        ("coil_resistance", "ohm", {"colour": "red"}, False, "unknown conditions colour"),
        ("sweep_ccw", "V", {}, False, "a capture was expected"),
        ("humidity", "%", {}, True, "a reading was expected"),
    ],
)
def test_what_no_row_describes_is_refused(
    quantity: str, unit: str, conditions: dict[str, str], capture: bool, words: str
) -> None:
    """The message names the quantity and what was expected."""
    with pytest.raises(ValueError, match=words):
        check(quantity, unit, conditions, capture=capture)


def test_every_pass_of_a_turn_has_its_row() -> None:
    """Both passes at rest and on the fly, and their repeats; an encoder's angle says of which pass it is."""
    for series in (*SWEEPS, *SWEEPS_AGAIN):
        check(series, "V", {"position_steps": 10, "direction": "ccw"}, capture=True)
        check("encoder_angle", "deg", {"position_steps": 10, "direction": "ccw", "series": series}, capture=False)
    for series in (*TURNINGS, *TURNINGS_AGAIN):
        check(series, "V", {"stop_steps": 10, "direction": "ccw"}, capture=True)


def test_every_row_says_what_it_is() -> None:
    """A meaning in words, and volts for what the raw file holds."""
    assert len(QUANTITIES) > 30
    for name, row in QUANTITIES.items():
        assert row.meaning and (row.unit == ("V",) or not row.capture), name
