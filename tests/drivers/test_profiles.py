"""Instruments told in a file: what is refused on load, and what is said to an instrument that only a profile knows."""

import copy
import math
import re
from pathlib import Path
from typing import Any

import pytest
from loop_link import LoopLink
from wrong_profiles import GOOD, WRONG, load, write

import drivers.shelf
from drivers.families import FAMILIES, HARDWARE, OWN
from drivers.profile.generator import ProfiledGenerator
from drivers.profile.inputs import ProfiledInputs
from drivers.profile.model import load_profile
from drivers.profile.multimeter import ProfiledMultimeter
from drivers.profile.switch import ProfiledSwitch
from drivers.shelf import families, open_driver, options_of, recognise
from rig.errors import BadReply, DescriptionError, InstrumentRefused, UsageError, WrongInstrument


@pytest.mark.parametrize("name", sorted(GOOD))
def test_good_profiles_load(tmp_path: Path, name: str) -> None:
    """One of each role, and those that travel with the program."""
    assert load(write(tmp_path, GOOD[name])).role == GOOD[name]["role"]
    for packaged in ("gdm-8251a", "afg-3000"):
        assert load_profile(packaged).proven_on == ()


def test_two_hundred_wrong_profiles_are_refused_by_key(tmp_path: Path) -> None:
    """Each changes one thing of a good one; the message has the file and the key."""
    assert len(WRONG) >= 200
    told = []
    for number, (data, key) in enumerate(WRONG):
        path = write(tmp_path, data, f"wrong-{number}")
        try:
            load(path)
        except DescriptionError as fault:
            if key not in str(fault) or path.name not in str(fault):
                told.append(f"{key}: {fault}")
        else:
            told.append(f"{key}: was taken")
    assert not told, "\n".join(told[:10])


class Source:
    """A generator with words of its own: !NAME value is answered OK, ?NAME with the value."""

    def __init__(self) -> None:
        self.values = {"FREQ": "100.00", "AMP": "1.00", "OFF": "0.00", "OUT": "0", "WVF": "2"}
        self.said: list[str] = []
        self.stuck = ""

    def __call__(self, data: bytes) -> bytes:
        assert data.endswith(b"\r\n")
        word = data.decode().strip()
        self.said.append(word)
        if word == "?IDN":
            return b"LSG Serial #1234\r\n"
        name, _, value = word[1:].partition(" ")
        if word.startswith("?"):
            return f"{self.values[name]}\r\n".encode()
        if name != self.stuck:
            self.values[name] = value
        return b"OK\r\n"


def _generator(tmp_path: Path, source: Any) -> ProfiledGenerator:
    profile = load(write(tmp_path, GOOD["lsg"]))
    one = ProfiledGenerator("generator", LoopLink(source), profile=profile)
    one.open()
    return one


def test_a_generator_of_unknown_words_is_prepared_read_back_and_switched(tmp_path: Path) -> None:
    """Peak volts of a level in rms; nothing is switched on before all is read back; the safe state is off."""
    source = Source()
    one = _generator(tmp_path, source)
    assert set(source.said) == {"?IDN"} and one.identity().serial == "1234"
    one.prepare_sine(frequency_hz=7000.0, level_v_rms=2.0)
    assert source.values["FREQ"] == "7000.00" and float(source.values["AMP"]) == pytest.approx(
        2 * math.sqrt(2), abs=5e-3
    )
    assert "!OUT 1" not in source.said and source.values["WVF"] == "0"
    one.output(True)
    assert source.said[-2:] == ["!OUT 1", "?OUT"] and one.output_is_on()
    one.safe_state()
    assert source.values["OUT"] == "0"


@pytest.mark.parametrize("stuck", ["FREQ", "AMP", "WVF", "OUT"])
def test_a_generator_that_does_not_take_a_setting_is_never_on(tmp_path: Path, stuck: str) -> None:
    """It says OK to everything."""
    source = Source()
    one = _generator(tmp_path, source)
    source.stuck = stuck
    with pytest.raises(InstrumentRefused):
        one.prepare_sine(frequency_hz=7000.0, level_v_rms=2.0)
        one.output(True)
    assert source.values["OUT"] == "0"


def test_a_level_beyond_the_profile_is_refused(tmp_path: Path) -> None:
    """Before it is said."""
    source = Source()
    one = _generator(tmp_path, source)
    with pytest.raises(UsageError, match=r"7 V rms; its profile has"):
        one.prepare_sine(frequency_hz=7000.0, level_v_rms=7.0)
    assert float(source.values["AMP"]) == 1.0


def test_who_does_not_answer_as_the_profile_says_is_refused(tmp_path: Path) -> None:
    """The whole answer counts."""
    with pytest.raises(WrongInstrument, match="LSG Serial"):
        _generator(tmp_path, lambda data: b"LSG Serial #1234 copy\r\n")


class Meter:
    """A meter of the 8200 class."""

    def __init__(self) -> None:
        self.function, self.range, self.value = "VOLT", 1.0, "+1.0000E+0"

    def __call__(self, data: bytes) -> bytes:
        word = data.decode().strip()
        if word == "*IDN?":
            return b"GWInstek,GDM-8251A,CC123,1.00\r\n"
        if word == "CONF:RANG?":
            return f"{self.range:g}\n".encode()
        if word == "CONF:FUNC?":
            return f"{self.function}\n".encode()
        if word == "VAL1?":
            return f"{self.value}\n".encode()
        header, _, value = word.partition(" ")
        self.function, self.range = header.removeprefix("CONF:"), float(value)
        return b""


def test_a_meter_by_its_profile_reads_ohms_and_tells_over_range() -> None:
    """Its word for over range is 1.2E8, and a third function is refused by name."""
    meter = Meter()
    one = open_driver("profile:gdm-8251a", "tcp://127.0.0.1:1", "multimeter", line_hz=60.0)
    one = ProfiledMultimeter("multimeter", LoopLink(meter), profile=load_profile("gdm-8251a"))
    one.open()
    meter.value = "+19.3412E+0"
    read = one.resistance_ohm(four_wire=True, range_ohm=30.0, nplc=1.0)
    assert (read.value, read.range_upper, meter.function) == (19.3412, 100.0, "FRES")
    meter.value = "+1.2000E+8"
    over = one.resistance_ohm(four_wire=True, range_ohm=30.0, nplc=1.0)
    assert over.value is None and over.overload
    with pytest.raises(UsageError, match="no ac volts"):
        one.ac_volts_rms(range_v=1.0)
    with pytest.raises(UsageError, match="offset compensation"):
        one.resistance_ohm(four_wire=True, range_ohm=30.0, nplc=1.0, offset_compensation=True)
    with pytest.raises(UsageError, match="no four wire range"):
        one.resistance_ohm(four_wire=True, range_ohm=1e9, nplc=1.0)


def test_a_meter_whose_panel_was_touched_gives_no_reading() -> None:
    """The range is asked for again after the reading."""
    meter = Meter()
    one = ProfiledMultimeter("multimeter", LoopLink(meter), profile=load_profile("gdm-8251a"))
    one.open()
    one.resistance_ohm(four_wire=False, range_ohm=100.0, nplc=1.0)
    meter.range = 1000.0
    with pytest.raises(InstrumentRefused, match=r"100.*1000"):
        one.resistance_ohm(four_wire=False, range_ohm=100.0, nplc=1.0)


class Board:
    """Relays and inputs with words of their own."""

    def __init__(self) -> None:
        self.closed: set[int] = set()
        self.inputs = {"0": "1", "1": "0"}
        self.stuck = -1

    def __call__(self, data: bytes) -> bytes:
        verb, _, rest = data.decode().strip().partition(" ")
        if verb == "ID?":
            return b"BOARD 8\n"
        if verb == "IN?":
            return f"{self.inputs[rest]}\n".encode()
        if verb == "RELAY?":
            return b"closed\n" if int(rest) in self.closed else b"open\n"
        if int(rest) != self.stuck:
            self.closed.add(int(rest)) if verb == "CLOSE" else self.closed.discard(int(rest))
        return b""


def test_a_board_by_its_profile_switches_and_reads_back(tmp_path: Path) -> None:
    """A relay that stays is told; one that it has not is refused."""
    board = Board()
    one = ProfiledSwitch("switch", LoopLink(board), profile=load(write(tmp_path, GOOD["board"])))
    one.open()
    one.close_channels([1, 3])
    assert board.closed == {1, 3} and one.closed_channels() == (1, 3)
    board.stuck = 3
    with pytest.raises(InstrumentRefused, match="relay 3 stayed closed"):
        one.safe_state()
    board.stuck = -1
    one.safe_state()
    assert not board.closed
    with pytest.raises(UsageError, match="no relay 9"):
        one.close_channels([9])


def test_inputs_by_their_profile_take_no_third_answer(tmp_path: Path) -> None:
    """Neither closed nor open is an error, never a closed guard."""
    board = Board()
    one = ProfiledInputs("interlock", LoopLink(board), profile=load(write(tmp_path, GOOD["inputs"])))
    one.open()
    assert one.state().safe_to_run
    board.inputs["1"] = "1"
    assert one.state().emergency_stop
    board.inputs["0"] = "2"
    with pytest.raises(BadReply, match="neither"):
        one.state()


def test_a_profile_under_another_role_is_refused() -> None:
    """By both names."""
    with pytest.raises(UsageError, match=r"generator: profile gdm-8251a is that of a multimeter"):
        options_of("profile:gdm-8251a", "generator")


def test_instruments_that_nobody_here_wrote_are_driven_by_profile_alone(tmp_path: Path) -> None:
    """pyvisa-sim's own generator, as it is packaged: names and words at the VISA layer, no wire."""
    pytest.importorskip("pyvisa_sim")
    profile = copy.deepcopy(GOOD["lsg"])
    profile["wire"] = {"acknowledgement": "OK"}
    path = write(tmp_path, profile)
    for resource in ("USB::0x1111::0x2222::0x1234::INSTR", "GPIB::8::INSTR", "TCPIP::localhost::INSTR"):
        one = open_driver(f"profile:{path}", f"visa+sim://{resource}", "generator")
        one.open()
        try:
            assert re.fullmatch("1234", one.identity().serial)
            one.prepare_sine(frequency_hz=7000.0, level_v_rms=2.0)  # type: ignore[attr-defined]
            one.output(True)  # type: ignore[attr-defined]
            assert one.output_is_on()  # type: ignore[attr-defined]
            one.safe_state()
            assert not one.output_is_on()  # type: ignore[attr-defined]
        finally:
            one.close()


def test_the_search_offers_the_profile_of_an_instrument_that_no_driver_knows() -> None:
    """By its answer to *IDN?, on a real wire."""
    from line_server import line_server

    with line_server(lambda line: b"TEKTRONIX,AFG3022B,C01,SCPI:99.0 FV:3.1.1\n" if line == b"*IDN?" else b"") as url:
        found = recognise(url)
    assert (found.driver, found.role) == ("profile:afg-3000", "generator")
    assert found.identity is not None and found.identity.serial == "C01"


class PlugIn:
    """A driver of somebody else's package."""

    def __init__(self, name: str, link: str, *, colour: str = "") -> None:
        self.name, self.link = name, link

    def open(self) -> None:
        """Nothing to open."""

    def identity(self) -> None:
        """Nobody."""

    def safe_state(self) -> None:
        """Nothing is on."""

    def close(self) -> None:
        """Nothing is open."""


class _Point:
    group, value, name = "anglewright.drivers", "their.module:Their", "theirs"
    dist = None

    def __init__(self, found: Any) -> None:
        self._found = found

    def load(self) -> Any:
        if isinstance(self._found, Exception):
            raise self._found
        return self._found


@pytest.mark.parametrize(
    ("found", "told"),
    [(PlugIn, ""), (object, r"has no open\(\)"), (ImportError("no module"), "can't be loaded: ImportError")],
)
def test_a_driver_of_another_package_is_loaded_by_its_name(
    monkeypatch: pytest.MonkeyPatch, found: Any, told: str
) -> None:
    """One that is broken is told as that package's, and no other entry point is loaded for it."""
    points = lambda **asked: [_Point(found)] if asked.get("name", "theirs") == "theirs" else []  # noqa: E731
    monkeypatch.setattr(drivers.shelf, "entry_points", points)
    if told:
        with pytest.raises(UsageError, match=told):
            open_driver("theirs", "tcp://127.0.0.1:1", "axis")
    else:
        assert isinstance(open_driver("theirs", "tcp://127.0.0.1:1", "axis", colour="red"), PlugIn)
        assert {"driver": "theirs", "level": "not ours"}.items() <= families()[-1].items()
    with pytest.raises(UsageError, match="no driver 'others'"):
        open_driver("others", "tcp://127.0.0.1:1", "axis")


def test_every_driver_says_what_it_has_met() -> None:
    """Nothing has met hardware; a level above the lowest says on what."""
    assert set(FAMILIES) == set(drivers.shelf.DRIVERS)
    assert not any(one.level == HARDWARE for one in FAMILIES.values())
    rows = {row["driver"]: row for row in families()}
    assert rows["profile:afg-3000"]["level"] == OWN and rows["sdg"]["rests_on"]
