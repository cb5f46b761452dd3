"""The states of a link: the table, and what each state leads to on a real wire."""

import pytest
from plain_bench import plain_bench

from drivers.link import states
from drivers.link.states import LinkEvent, LinkState, LinkTracker, win_back
from rig.errors import InstrumentRefused, LinkDown, NoReply, UsageError, WrongInstrument


def ready():
    link = LinkTracker("meter")
    for event in (LinkEvent.OPENED, LinkEvent.IDENTIFIED, LinkEvent.SET_UP):
        link.move(event)
    return link


def test_the_way_up():
    """closed, open, identified, ready."""
    link = LinkTracker("meter")
    seen = [link.state] + [link.move(event) for event in (LinkEvent.OPENED, LinkEvent.IDENTIFIED, LinkEvent.SET_UP)]
    assert seen == [LinkState.CLOSED, LinkState.OPEN, LinkState.IDENTIFIED, LinkState.READY]
    assert link.known


@pytest.mark.parametrize("before", [LinkState.OPEN, LinkState.IDENTIFIED, LinkState.READY])
def test_doubt_goes_back_to_where_it_arose(before):
    """dirty, then synchronised: the state before."""
    link = LinkTracker("meter")
    for event in (LinkEvent.OPENED, LinkEvent.IDENTIFIED, LinkEvent.SET_UP):
        link.move(event)
        if link.state is before:
            break
    assert link.move(LinkEvent.DOUBT) is LinkState.DIRTY
    assert link.move(LinkEvent.DOUBT) is LinkState.DIRTY
    assert link.move(LinkEvent.SYNCHRONISED) is before
    assert link.times_dirty == 1


def test_a_lost_link_comes_back_from_the_start():
    """lost, open, identified, ready; each loss is counted once."""
    link = ready()
    assert link.move(LinkEvent.BROKE) is LinkState.LOST
    assert link.move(LinkEvent.BROKE) is LinkState.LOST
    assert link.times_lost == 1
    assert [link.move(e) for e in (LinkEvent.OPENED, LinkEvent.IDENTIFIED, LinkEvent.SET_UP)][-1] is LinkState.READY


@pytest.mark.parametrize(
    ("events", "illegal"),
    [
        ((), LinkEvent.IDENTIFIED),
        ((), LinkEvent.DOUBT),
        ((), LinkEvent.SYNCHRONISED),
        ((LinkEvent.OPENED,), LinkEvent.SET_UP),
        ((LinkEvent.OPENED, LinkEvent.BROKE), LinkEvent.SYNCHRONISED),
        ((LinkEvent.OPENED, LinkEvent.BROKE), LinkEvent.IDENTIFIED),
    ],
)
def test_an_illegal_move_changes_nothing(events, illegal):
    """UsageError with both names, and the state stays."""
    link = LinkTracker("meter")
    for event in events:
        link.move(event)
    before = link.state
    with pytest.raises(UsageError, match=str(illegal)):
        link.move(illegal)
    assert link.state is before


def test_every_state_can_be_closed():
    """Closing is legal everywhere and forgets who answered."""
    for state in LinkState:
        assert states.TABLE[(state, LinkEvent.CLOSED)] is LinkState.CLOSED
    link = ready()
    link.move(LinkEvent.CLOSED)
    assert not link.known


def test_winning_back_has_an_end(monkeypatch):
    """After the last pause LinkDown tells how long it was tried and why it failed."""
    monkeypatch.setattr(states, "BACK_OFF_S", (0.0, 0.01, 0.01))
    tries = []

    def attempt():
        tries.append(1)
        raise NoReply("nothing", instrument="meter")

    with pytest.raises(LinkDown, match="3 tries"):
        win_back("meter", attempt, lambda: None)
    assert len(tries) == 3


def test_another_instrument_is_not_won_back():
    """When the wire comes back with another identification, the run stops with its name."""
    fault = "generator:wrong_idn:nth=2:match=IDN:value=Agilent Technologies,33511B,SIM77777,9"
    bench = plain_bench("generator:reset:nth=6", fault, roles=("generator",))
    with bench as (_, drivers), pytest.raises(WrongInstrument, match="SIM77777"):
        for _ in range(4):
            drivers.generator.output_is_on()


def test_a_generator_that_forgot_its_settings_is_off():
    """Lost, back, and at its power-on state: switched off, and said."""
    with plain_bench(roles=("generator",)) as (_, drivers):
        one = drivers.generator
        one.prepare_sine(frequency_hz=7000.0, level_v_rms=1.0)
        one.output(True)
        one._session.write("*RST")
        one._session.query("*OPC?")
        one._link.close()
        one._session.states.move(LinkEvent.BROKE)
        with pytest.raises(InstrumentRefused, match="is off now"):
            one.output_is_on()
        assert not one.output_is_on()


def test_a_generator_that_kept_its_settings_goes_on():
    """Lost and back with nothing changed: nothing is said, and the loss is counted."""
    with plain_bench(roles=("generator",)) as (_, drivers):
        one = drivers.generator
        one.prepare_sine(frequency_hz=7000.0, level_v_rms=1.0)
        one.output(True)
        one._link.close()
        one._session.states.move(LinkEvent.BROKE)
        assert one.output_is_on()
        assert one._session.states.state is LinkState.READY
        assert one._session.states.times_lost == 1
