"""A person as an instrument: sentences, acts, and what is typed."""

from collections.abc import Callable

import pytest

from drivers.hand import HandInterlock, HandSwitch, HandThermometer
from rig.errors import BadReply, SafetyStop, UsageError


def answering(answers: list[str]) -> tuple[list[str], Callable[..., str]]:
    said: list[str] = []

    def prompt(text: str, until: Callable[[], bool] | None = None) -> str:
        said.append(text)
        return answers.pop(0) if answers else ""

    return said, prompt


def test_each_act_is_one_sentence_and_counted() -> None:
    """One lead, one cable, one plug at a time; what is lifted already is not asked for."""
    hand = HandSwitch("switch", "terminal")
    said, hand.prompt = answering([])
    hand.open()
    hand.open_all()
    hand.put("meter_hi", "3")
    hand.put("meter_lo", "core")
    hand.cable("ch2", "sin")
    hand.plug("part")
    hand.lift()
    hand.lift()
    assert hand.acts == 7
    assert "HI lead on pin 3" in said[2] and "on the core" in said[3] and "channel 2 on socket SINE" in said[4]


def test_a_hand_has_no_channels() -> None:
    """A sequence that closes relays is refused where a person fills the switch."""
    hand = HandSwitch("switch", "terminal")
    with pytest.raises(UsageError, match="can't close"):
        hand.close_channels([1101])
    hand.close_channels([])
    with pytest.raises(UsageError, match="no lead"):
        hand.put("probe", "3")
    with pytest.raises(UsageError, match="no socket"):
        hand.cable("ch1", "rear")


def test_nobody_to_ask_is_a_stop() -> None:
    """Without a person the act is not done and nothing goes on."""
    with pytest.raises(SafetyStop, match="HI lead"):
        HandSwitch("switch", "terminal").put("meter_hi", "1")


@pytest.mark.parametrize(
    ("typed", "degc", "percent"),
    [(["22.4 C", "45 %"], 22.4, 45.0), (["22,4 degC", ""], 22.4, None), (["72.5 F", "40%"], 22.5, 40.0)],
)
def test_air_is_typed_with_its_unit(typed: list[str], degc: float, percent: float | None) -> None:
    """A unit has to be given, and is used; humidity may be unknown."""
    probe = HandThermometer("climate", "terminal")
    _, probe.prompt = answering(typed)
    air = probe.read()
    assert air.temperature_degc == pytest.approx(degc) and air.humidity_pct == percent


@pytest.mark.parametrize("typed", [["22.4"], ["", ""], ["224 C", "45 %"], ["22 C", "450 %"], ["22 C", "damp"]])
def test_what_can_not_be_air_is_refused(typed: list[str]) -> None:
    """No unit, nothing, beyond a workshop's air."""
    probe = HandThermometer("climate", "terminal")
    _, probe.prompt = answering(typed)
    with pytest.raises(BadReply):
        probe.read()


def test_an_attending_person_reads_no_input() -> None:
    """The state says that nothing was read."""
    state = HandInterlock("interlock", "terminal").state()
    assert state.safe_to_run and not state.read
