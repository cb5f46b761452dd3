"""A person as an instrument: switch, thermometer, or nobody's interlock. One sentence, one act, no word taken for it.

Link "terminal": the sentence is shown to the person who started the run; whoever opens the bench gives `prompt`. A
simulated hand (drivers/simulated/instruments/hand.py) obeys the same acts as short lines on a socket. No act is proved
here: a step takes a reading that only the right connection gives, before it trusts one.
Acts: a meter lead to a pin or to the core; both leads lifted; the part's plug on the excitation harness or off it; a
sampler's cable to a socket of the harness.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence

from drivers.link.base import Link
from drivers.link.urls import make_link
from drivers.roles import CABLES, INPUTS, LEADS, PLUGS, ClimateReading, Identity, InterlockState, Prompt
from rig.errors import BadReply, LinkDown, SafetyStop, UsageError

TERMINAL = "terminal"
ANSWER_S = 5.0
LEAD_TEXT = {"meter_hi": "the meter's HI lead", "meter_lo": "the meter's LO lead"}
CABLE_TEXT = {"ch1": "the cable of channel 1", "ch2": "the cable of channel 2"}
PLUG_TEXT = {
    "part": "Push the part's plug home on the excitation harness",
    "loopback": "Push the loopback plug home on the excitation harness",
    "nothing": "Leave the excitation harness open: nothing plugged in",
}
SOCKET_TEXT = {"exc_v": "EXC V", "exc_i": "EXC I", "sin": "SINE", "cos": "COSINE"}
_AIR = re.compile(r"\s*([+-]?\d+(?:[.,]\d+)?)\s*(?:deg\s*)?([CF])\s*", re.IGNORECASE)
_SHARE = re.compile(r"\s*(\d+(?:[.,]\d+)?)\s*%\s*")


def _nobody(text: str, _until: Callable[[], bool] | None) -> str:
    raise SafetyStop(
        f"a hand is needed and nobody can be asked: {text}",
        code="no-hand",
        next_action="Start the run at the bench's own terminal.",
    )


class _Hand:
    """What every role of a hand shares. prompt: set by whoever opens the bench, before `open`."""

    def __init__(self, name: str, link: str | Link) -> None:
        self._name = name
        self._link = None if link == TERMINAL else make_link(link, name) if isinstance(link, str) else link
        self.prompt: Prompt = _nobody
        self._identity: Identity | None = None

    @property
    def name(self) -> str:
        return self._name

    def open(self) -> None:
        """Opens the wire of a simulated hand; a person needs none."""
        maker, serial = "a person", ""
        if self._link is not None:
            self._link.open()
            maker, serial = "simulated", self._answer_to("who").partition(" ")[2]
        self._identity = Identity(maker=maker, model="guided hand", serial=serial, firmware="")

    def identity(self) -> Identity:
        if self._identity is None:
            raise LinkDown("not opened yet", instrument=self._name, next_action="Open it first.")
        return self._identity

    def safe_state(self) -> None:
        """A hand holds nothing that could be switched off."""

    def close(self) -> None:
        """Never raises."""
        if self._link is not None:
            self._link.close()

    def _answer_to(self, line: str) -> str:
        """A simulated hand's answer to a line."""
        if self._link is None:
            raise UsageError(f"{self._name}: a person has no wire.", next_action="This is a fault of the program.")
        self._link.write(line.encode() + b"\n")
        return self._link.read_line(ANSWER_S).decode("ascii", "replace").strip()

    def _act(self, line: str, text: str, until: Callable[[], bool] | None = None) -> None:
        if self._link is None:
            self.prompt(f"{text}.", until)
        elif (reply := self._answer_to(line)) != "done":
            raise BadReply(f"{reply!r} where an act was asked for", instrument=self._name, exchange=line)


class HandSwitch(_Hand):
    """A person with two meter leads, a plug and two cables, in place of a relay matrix."""

    def __init__(self, name: str, link: str | Link) -> None:
        super().__init__(name, link)
        self._acts = 0
        self._leads_on, self._plugged = True, True  # nobody knows what the last run left
        self._on: dict[str, str] = {}

    @property
    def acts(self) -> int:
        """Acts asked for since the driver was made."""
        return self._acts

    def put(self, lead: str, place: str, until: Callable[[], bool] | None = None) -> None:
        """A meter lead to a pin, or to "core". until: says that the act is done, without Enter."""
        if lead not in LEADS:
            raise UsageError(f"{self._name}: no lead {lead!r}.", next_action=f"There are {', '.join(LEADS)}.")
        self._acts += 1
        self._leads_on = True
        where = "the core" if place == "core" else f"pin {place}"
        text = f"Put {LEAD_TEXT[lead]} on {where}; leave the other lead where it is"
        if self._on.get(lead) == place:
            other = " at another bare place" if place == "core" else ""
            text = f"Lift {LEAD_TEXT[lead]} and put it on {where} again{other}; leave the other lead where it is"
        self._on[lead] = place
        self._act(f"put {lead} {place}", text, until)

    def lift(self) -> None:
        """Both meter leads off the part; no act where they are off."""
        if self._leads_on:
            self._leads_on = False
            self._on.clear()
            self._acts += 1
            self._act("lift", "Take both leads of the meter off the part")

    def plug(self, what: str) -> None:
        """On the excitation harness: the part's plug, the loopback plug (one signal on all inputs), or nothing."""
        if what not in PLUGS:
            raise UsageError(f"{self._name}: no plug {what!r}.", next_action=f"There are {', '.join(PLUGS)}.")
        self._acts += 1
        self._plugged = what != "nothing"
        self._act(f"plug {what}", PLUG_TEXT[what])

    def cable(self, channel: str, socket: str) -> None:
        """A sampler's cable to a socket of the harness."""
        if channel not in CABLES or socket not in INPUTS:
            raise UsageError(
                f"{self._name}: no cable {channel!r} or no socket {socket!r}.",
                next_action=f"Cables {', '.join(CABLES)}; sockets {', '.join(INPUTS)}.",
            )
        self._acts += 1
        self._act(f"cable {channel} {socket}", f"Put {CABLE_TEXT[channel]} on socket {SOCKET_TEXT[socket]}")

    # ---- as a switch: everything off is the only state that has no name of its own

    def open_all(self) -> None:
        """Leads lifted, plug off. One act each, where it may be on."""
        self.lift()
        if self._plugged:
            self.plug("nothing")

    def close_channels(self, channels: Sequence[int]) -> None:
        """A hand has no channels. Raises UsageError unless none is asked for."""
        if channels:
            raise UsageError(
                f"{self._name}: a hand can't close channels {list(channels)}.",
                next_action="Run a sequence that guides a hand: hand_test.",
            )

    def open_channels(self, channels: Sequence[int]) -> None:
        """Nothing: no channel was ever closed."""

    def closed_channels(self) -> tuple[int, ...]:
        """None: a hand has no channels."""
        return ()


class HandThermometer(_Hand):
    """Air typed in from a thermometer and, where there is one, a hygrometer."""

    def read(self) -> ClimateReading:
        """Temperature in degC and relative humidity in percent, as typed with their units. Raises BadReply."""
        air = self._parse_typed("air", "Read the thermometer beside the part and type it with its unit, e.g. 22.4 C")
        found = _AIR.fullmatch(air)
        if found is None:
            raise self._unreadable(air, "a temperature with its unit, e.g. 22.4 C or 72 F")
        value = float(found[1].replace(",", "."))
        degc = value if found[2].upper() == "C" else (value - 32.0) / 1.8
        humid = self._parse_typed("humidity", "Type the relative humidity, e.g. 45 %, or nothing where it is not known")
        share = _SHARE.fullmatch(humid)
        percent = float(share[1].replace(",", ".")) if share else None
        if not -20.0 <= degc <= 60.0 or (humid and not 0 <= (-1.0 if percent is None else percent) <= 100):
            raise self._unreadable(f"{air}; {humid}", "air between -20 and 60 degC, humidity in percent")
        return ClimateReading(temperature_degc=degc, humidity_pct=percent)

    def _parse_typed(self, what: str, text: str) -> str:
        return self.prompt(f"{text}:", None).strip() if self._link is None else self._answer_to(f"read {what}")

    def _unreadable(self, text: str, wanted: str) -> BadReply:
        return BadReply(f"{text!r} where {wanted} was expected", instrument=self._name, next_action="Type it again.")


class HandInterlock(_Hand):
    """No input is read: a person stays at the bench. Says so in every state that it gives."""

    def state(self) -> InterlockState:
        """Nothing is read; the bench runs attended only and turns no motor."""
        return InterlockState(guard_closed=True, emergency_stop=False, read=False)
