"""`analyse pairs`: the cases come out right as text and as one document; drafts load and keep runs away."""

import json
import os
from pathlib import Path

import pytest
from click.testing import CliRunner

from rig.cli.pages.pins import pins_page
from rig.description.parts import load_part
from rig.errors import DescriptionError, RecordError, UsageError
from rig.jobs.pins.by_hand import by_typing
from rig.jobs.pins.table import AnalysedPairs, analyse_observed, analyse_pairs

CASES = Path(os.environ.get("ANGLEWRIGHT_SHARED", "not given")) / "cases" / "pairs"
needs_cases = pytest.mark.skipif(
    not CASES.is_dir(), reason="ANGLEWRIGHT_SHARED does not point to the shared cases: NOT RUN"
)
STANDARD = "pin_a,pin_b,ohm\n1,2,19\n1,3,OL\n1,4,OL\n1,5,OL\n1,6,OL\n2,3,OL\n2,4,OL\n2,5,OL\n2,6,OL\n3,4,OL\n3,5,6.8\n"
STANDARD += "3,6,OL\n4,5,OL\n4,6,6.8\n5,6,OL\n7,1,OL\n7,3,OL\n7,4,OL\n7,8,10k2\n8,1,OL\n8,3,OL\n8,4,OL\n"


def part_file(folder: Path, pins: dict[str, str]) -> str:
    """A part file with another pin map and no nominals."""
    rows = "\n".join(f'{terminal} = "{pin}"' for terminal, pin in pins.items())
    path = folder / "mapped.toml"
    path.write_text(
        f'schema = "anglewright part 1"\nnumber = "MAPPED"\npole_pairs = 4\n[pins]\n{rows}\n[excitation]\n'
        "level_v_rms = 4.0\nfrequency_hz = 10000\nceiling_v_rms = 5.0\nceiling_a_rms = 0.1\n",
        encoding="utf-8",
    )
    return str(path)


@pytest.fixture
def standard(tmp_path: Path) -> Path:
    path = tmp_path / "table.csv"
    path.write_text(STANDARD, encoding="utf-8")
    return path


def pins_of(found: AnalysedPairs) -> dict[str, object]:
    document = json.loads(json.dumps(found.document(), allow_nan=False))
    pins: dict[str, object] = document["pins"]
    return pins


@needs_cases
@pytest.mark.parametrize(
    ("name", "excitation", "outputs"),
    [
        ("std_19_6p8", ["1", "2"], [["3", "5"], ["4", "6"]]),
        ("ev12_two_thermistors", ["5", "8"], [["1", "12"], ["2", "11"]]),
        ("steer_map_A", ["12", "13"], [["8", "10"], ["9", "11"]]),
        ("steer_map_B", ["8", "10"], [["4", "5"], ["6", "7"]]),
    ],
)
def test_the_cases_give_the_excitation_as_the_odd_one_out(
    name: str, excitation: list[str], outputs: list[list[str]]
) -> None:
    """Lowest or highest; sine, cosine and signs stay open until the AC test."""
    found = analyse_pairs(CASES / f"{name}.csv")
    pins = pins_of(found)
    assert (found.pins.found.outcome, found.exit_status) == ("measured, no limits", 0)
    assert (pins["excitation"], pins["outputs"], pins["labelings"]) == (excitation, outputs, 8)
    assert "eight equivalent labelings" in pins_page(found) and "AC test" in pins_page(found)
    assert (pins["may_excite"], pins["blocked_by"]) == (False, "isolation not read")  # no table holds the core


@needs_cases
def test_thermistor_pins_never_get_excitation_and_empty_pins_are_reported() -> None:
    """Twelve pins, two kiloohm circuits, two empty pins."""
    found = analyse_pairs(CASES / "ev12_two_thermistors.csv")
    assert found.pins.found.empty == ("6", "7")
    assert {"3", "10", "4", "9"} <= set(found.pins.found.never_excite)
    assert [s.kind.kind for s in found.pins.found.sensors] == ["ntc", "ntc"]


@needs_cases
def test_map_b_against_the_map_of_a_is_unsound_and_blocked(tmp_path: Path) -> None:
    """Expected pairs open, others closed: the pin map; no coil is called open, no verdict on the part."""
    pins = {"exc_hi": "13", "exc_lo": "12", "sin_hi": "11", "sin_lo": "9", "cos_hi": "10", "cos_lo": "8"}
    part = part_file(tmp_path, pins)
    found = analyse_pairs(CASES / "steer_map_B.csv", part=part)
    assert (found.pins.found.outcome, found.exit_status) == ("unsound measurement", 3)
    assert [r.code for r in found.pins.found.reasons] == ["pin-map-mismatch"]
    assert found.pins.found.findings == () and not found.pins.found.may_excite
    assert "open-coil" not in pins_page(found) and "excitation: blocked" in pins_page(found)
    fits = analyse_pairs(CASES / "steer_map_A.csv", part=part)
    assert (fits.pins.found.outcome, fits.pins.found.matches_part) == ("measured, no limits", True)


@needs_cases
def test_leads_left_in_stay_undecided_until_they_are_taken_off() -> None:
    """0.2 ohm of leads on 0.6 ohm coils: said so. With the leads off the three pins are a star."""
    found = analyse_pairs(CASES / "lead_0p2_on_0p6.csv")
    assert (found.pins.found.outcome, found.exit_status) == ("undecided", 3)
    assert [r.code for r in found.pins.found.reasons] == ["leads-not-zeroed"]
    assert "Lead resistance is not removed" in pins_page(found)
    zeroed = analyse_pairs(CASES / "lead_0p2_on_0p6.csv", lead_ohm=0.2)
    assert "leads-not-zeroed" not in [r.code for r in zeroed.pins.found.reasons]


def test_a_draft_loads_as_a_draft_only_and_is_never_overwritten(standard: Path, tmp_path: Path) -> None:
    """Two commands from a table to a part file; a run refuses it until a person has confirmed it."""
    path = tmp_path / "DRAFT-1.toml"
    found = analyse_pairs(standard, draft_to=path)
    assert found.document()["files"] == {"draft": str(path)}
    draft = load_part(str(path), draft=True)
    assert not draft.confirmed
    assert {draft.pins["exc_hi"], draft.pins["exc_lo"]} == {"1", "2"}
    assert {draft.pins["thermistor_hi"], draft.pins["thermistor_lo"]} == {"7", "8"}
    assert draft.excitation.ceiling_v_rms <= 1.0
    with pytest.raises(UsageError, match=r"DRAFT-1\.toml:6: a draft.*confirmed = true"):
        load_part(str(path))
    with pytest.raises(RecordError):
        analyse_pairs(standard, draft_to=path)
    assert analyse_pairs(standard, part=str(path)).pins.found.matches_part
    path.write_text(path.read_text().replace("confirmed = false", "confirmed = true"), encoding="utf-8")
    assert load_part(str(path)).confirmed


def test_no_draft_is_written_for_what_is_not_known(tmp_path: Path) -> None:
    """Three coils alike, a single coil: refused with the reason, and nothing is left behind."""
    for name, rows in (("alike", "1,2,15\n3,4,15.1\n5,6,15\n1,3,OL\n1,5,OL\n3,5,OL\n"), ("tacho", "1,2,40\n")):
        path = tmp_path / f"{name}.csv"
        path.write_text(f"pin_a,pin_b,ohm\n{rows}", encoding="utf-8")
        with pytest.raises(UsageError, match="no draft part file"):
            analyse_pairs(path, draft_to=tmp_path / "x.toml")
    assert not (tmp_path / "x.toml").exists()


def test_bad_files_are_told_by_line(tmp_path: Path) -> None:
    """The reader's faults pass through."""
    path = tmp_path / "bad.csv"
    path.write_text("pin_a,pin_b,ohm\n1,2,six\n", encoding="utf-8")
    with pytest.raises(DescriptionError, match=r"bad\.csv:2"):
        analyse_pairs(path)
    with pytest.raises(UsageError, match="lead"):
        analyse_pairs(path, lead_ohm=-1)


def test_a_table_can_be_typed_in_pair_by_pair(standard: Path) -> None:
    """The planner asks; what can't be read is asked again; the report is that of the whole table."""
    whole = analyse_pairs(standard).pins.table
    asked: list[str] = []
    said: list[str] = []

    def ask(question: str) -> str:
        asked.append(question)
        if len(asked) == 2:
            return "six"
        words = question.split()
        ohm = whole.ohm(words[words.index("pins") + 1], words[words.index("and") + 1])
        return "OL" if ohm is None or ohm > 1e7 else f"{ohm} ohm"

    observed = by_typing([str(n) for n in range(1, 9)], ask, said.append)
    assert len(said) == 1 and "six" in said[0]
    pairs = [reading for reading in observed.readings if reading.conditions["pin_b"] != "core"]
    assert 10 <= len(pairs) <= 16
    typed = analyse_observed(observed, "typed in").pins.found
    assert typed.may_excite
    assert typed.excitation is not None and typed.excitation.pins == ("1", "2")
    assert [s.circuit.pins for s in typed.sensors] == [("7", "8")]


def test_the_text_shows_the_matrix_the_roles_and_what_is_open(standard: Path) -> None:
    """Open pairs as dots, unmeasured ones as question marks."""
    text = pins_page(analyse_pairs(standard))
    for words in (
        "outcome: measured, no limits",
        "excitation coil",
        "output coil",
        "sensor: ntc",
        "10.2k",
        "?",
        "--draft",
    ):
        assert words in text, words


def test_the_commands_print_text_or_one_document_and_leave_with_the_outcomes_status(standard: Path) -> None:
    """pins table and pins ask; bad input leaves with 2."""
    from rig.cli.main import cli

    run = CliRunner().invoke
    plain = run(cli, ["pins", "table", str(standard)])
    assert plain.exit_code == 0 and "excitation coil" in plain.output
    document = json.loads(run(cli, ["pins", "table", str(standard), "--json"]).stdout)
    assert document["pins"]["excitation"] == ["1", "2"]
    assert run(cli, ["pins", "table", "nowhere.csv"]).exit_code == 2
    typed = run(cli, ["pins", "ask", "A,B", "--json"], input="6.8 ohm\n\n")
    assert typed.exit_code == 3
    assert json.loads(typed.stdout)["outcome"] == "not this kind"
    assert run(cli, ["pins", "ask", "A,A"]).exit_code == 2
